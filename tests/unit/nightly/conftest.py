"""One planted export and the night over it, each made once."""

from pathlib import Path

import pytest
from tests.unit.nightly.exports import make, run


@pytest.fixture(scope="session")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three hundred patients, most of whom were switched."""
    return make(tmp_path_factory.mktemp("planted"))


@pytest.fixture(scope="session")
def screened(export: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The outputs of a run over that export; tests that go on from there copy them."""
    folder = tmp_path_factory.mktemp("screened") / "out"
    run(export, folder)
    return folder


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """Where a run writes."""
    return tmp_path / "out"
