"""The bench of the night in small: it reports, and fails on no time."""

import sys
from pathlib import Path

import pytest
from tests.bench.nightly.__main__ import rows
from tests.bench.nightly.nights import HEADS


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")
def test_a_night_is_measured_beside_parsing_and_with_its_base_stored(tmp_path: Path) -> None:
    print(f"\n{HEADS}")
    every = [str(row) for row in rows(tmp_path, 400)]
    print("\n".join(every))
    assert len(every) == 4
    assert all(row.count("|") == HEADS.splitlines()[0].count("|") for row in every)
