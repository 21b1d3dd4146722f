"""The disk is full at night: what cron sees, what stands, and what the next run does."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.api.faults.disks import Disk, small_disk
from tests.api.servers import COMMAND
from tests.unit.nightly.exports import AS_OF, bytes_of, make, run

from crossgrain.nightly.filing import send
from crossgrain.nightly.plan import RunRefused

TOO_LITTLE = (0, 120, 240, 400, 600)
"""KiB: a run is stopped at its first file, while it scans, as it counts, judges and writes."""


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("planted"), patients=60)


@pytest.fixture
def disk() -> Iterator[Disk]:
    with small_disk(4096) as disk:
        yield disk


def everything_in(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in out.iterdir() if path.is_file()}


def screen(export: Path, out: Path, *more: str) -> subprocess.CompletedProcess[str]:
    """A run as cron starts it."""
    call = ["screen", str(export), "--out", str(out), "--as-of", AS_OF.isoformat(), "--jobs", "1"]
    return subprocess.run([COMMAND, *call, *more], capture_output=True, text=True, check=False)


def test_the_first_night_on_a_full_disk_ends_with_one_and_the_next_goes_on(
    export: Path, disk: Disk, tmp_path: Path
) -> None:
    out = disk.root / "out"
    disk.leave(60)
    ran = screen(export, out)
    disk.empty()
    assert ran.returncode == 1
    assert "nothing was published" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert "Patient/" not in ran.stderr
    assert not (out / "report.json").exists()
    assert screen(export, out).returncode == 0
    run(export, tmp_path / "wanted")
    assert bytes_of(out) == bytes_of(tmp_path / "wanted")


def test_however_little_is_left_the_last_night_stands_until_there_is_a_whole_new_one(
    export: Path, disk: Disk
) -> None:
    out = disk.root / "out"
    run(export, out, deployment="last")
    for left in TOO_LITTLE:
        before = everything_in(out)
        disk.leave(left)
        with pytest.raises(RunRefused, match="nothing was published"):
            run(export, out, deployment=f"night-{left}")
        assert everything_in(out) == before
        disk.empty()
        run(export, out, deployment=f"night-{left}")
        assert everything_in(out) != before


def test_a_log_on_a_full_disk_does_not_deny_a_run_that_was_published(
    export: Path, tmp_path: Path
) -> None:
    with Path("/dev/full").open("w") as full:  # takes nothing: ENOSPC
        call = [COMMAND, "screen", str(export), "--out", str(tmp_path / "out"), "--jobs", "1"]
        ran = subprocess.run(call, stdout=full, stderr=full, check=False)
    assert ran.returncode == 0
    assert (tmp_path / "out" / "report.json").is_file()


class Taking:
    """A server that takes everything, and has nothing yet."""

    def __init__(self) -> None:
        self.taken = 0

    def transact(self, bundle: dict[str, object]) -> None:
        self.taken += 1

    def find(self, kind: str, system: str, value: str) -> None:
        return None


def test_what_was_filed_and_could_not_be_noted_is_said(export: Path, disk: Disk) -> None:
    out, server = disk.root / "out", Taking()
    run(export, out)
    disk.leave(0)
    with pytest.raises(RunRefused, match="nothing is filed twice"):
        send(out, "https://ehr.example/fhir", server)
    disk.empty()
    assert server.taken == 1
    send(out, "https://ehr.example/fhir", server)
    assert server.taken > 1
