"""What a night costs beside parsing the same files and nothing else, and its peak memory.

Reports; never fails on time. `pytest -s tests/bench/test_nightly.py` prints a table. Parse-only
is orjson, one call per line of the same files, in one process that is already running; it keeps
neither exact decimals nor notice of doubled keys. So go by processor time: the night has as many
processes as there are cores, which start and import too. `CROSSGRAIN_BENCH_PATIENTS` sets the
size; a quick one is the default. Six in a hundred patients have thyroid hormone, as in a
general population; the last case is a thyroid clinic's panel, where everyone has.
"""

import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import orjson
import pytest
from tests.unit.nightly.exports import GENERATOR, run

JOBS = os.cpu_count() or 1
PATIENTS = int(os.environ.get("CROSSGRAIN_BENCH_PATIENTS", "4000"))


@dataclass(frozen=True)
class Cost:
    """Seconds on the clock, seconds of all processors, and the most memory at one time."""

    wall: float
    cpu: float
    peak_mib: float


def measured(work: Callable[[], object]) -> Cost:
    """The cost of some work and of every process that it starts."""
    peak, stop = [0.0], threading.Event()
    watcher = threading.Thread(target=_watch, args=(peak, stop))
    watcher.start()
    wall, cpu = time.perf_counter(), _cpu()
    try:
        work()
        spent = Cost(time.perf_counter() - wall, _cpu() - cpu, 0)
    finally:
        stop.set()
        watcher.join()
    return Cost(spent.wall, spent.cpu, peak[0])


def _cpu() -> float:
    used = [resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def _watch(peak: list[float], stop: threading.Event) -> None:
    while not stop.wait(0.05):
        peak[0] = max(peak[0], sum(map(_pss_mib, _tree(os.getpid()))))


def _tree(pid: int) -> list[int]:
    """A process and all that it has started."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = task.read_text().split()
        except OSError:
            continue
        for child in children:
            found += _tree(int(child))
    return found


def _pss_mib(pid: int) -> float:
    """Proportional memory, so that shared pages count once."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


def parse_only(export: Path) -> int:
    """Every line of an export through the parser, in this process, keeping nothing."""
    count = 0
    for file in sorted(export.glob("*.ndjson")):
        with file.open("rb") as lines:
            for line in lines:
                orjson.loads(line)
                count += 1
    return count


def made(folder: Path, *more: str, patients: int = PATIENTS) -> Path:
    """An export of that size, as the generator makes it."""
    command = [sys.executable, str(GENERATOR), str(folder), "--patients", str(patients), *more]
    subprocess.run(command, check=True)
    return folder / "export"


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")
def test_a_night_beside_parsing_alone(tmp_path: Path) -> None:
    sizes = {
        f"{PATIENTS} patients, 6 % with hormone": made(tmp_path / "whole"),
        f"{PATIENTS // 4} patients, 6 % with hormone": made(
            tmp_path / "quarter", patients=PATIENTS // 4
        ),
        f"{PATIENTS // 4} patients, all with hormone": made(
            tmp_path / "panel", "--hormone-share", "1", patients=PATIENTS // 4
        ),
    }
    print()
    for name, export in sizes.items():
        lines = []
        floor = measured(lambda export=export, lines=lines: lines.append(parse_only(export)))
        assert lines[0] > PATIENTS // 4
        night = measured(lambda export=export, out=tmp_path / name: run(export, out, jobs=JOBS))
        print(
            f"{name:<34} parse {floor.wall:6.2f} s, night {night.wall:6.2f} s:"
            f" {night.wall / floor.wall:.2f} on the clock,"
            f" {night.cpu / floor.cpu:.2f} of processor time; peak {night.peak_mib:.0f} MiB"
        )
        assert (tmp_path / name / "report.json").is_file()
