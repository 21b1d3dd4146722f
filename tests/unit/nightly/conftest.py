"""One planted export, made once."""

from pathlib import Path

import pytest
from tests.unit.nightly.exports import make


@pytest.fixture(scope="session")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three hundred patients, most of whom were switched."""
    return make(tmp_path_factory.mktemp("planted"))


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """Where a run writes."""
    return tmp_path / "out"
