"""What a night costs beside parsing the same lines, and what the stored rows of a base save.

The floor is `orjson.loads` on every line of the same files, in one process that is already running;
it keeps neither exact decimals nor notice of doubled keys. The night has as many processes as it
takes of itself, and those that it starts import too, so go by processor time.
"""

import json
import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import orjson
from tests.unit.nightly.exports import GENERATOR, run

CHANGED_IN_A_NIGHT = 100
"""One patient in so many has news."""


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
    while not stop.wait(0.2):  # each look costs, and is counted
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


def made(folder: Path, *more: str, patients: int) -> Path:
    """An export of that size, as the generator makes it."""
    command = [sys.executable, str(GENERATOR), str(folder), "--patients", str(patients), *more]
    subprocess.run(command, check=True)
    return folder / "export"


@dataclass(frozen=True)
class Row:
    """One line of the table: what was done, its cost, and the floor of the same lines."""

    what: str
    cost: Cost
    floor: Cost

    def __str__(self) -> str:
        cost, floor = self.cost, self.floor
        return (
            f"| {self.what} | {floor.cpu:.2f} | {cost.cpu:.2f} | {cost.cpu / floor.cpu:.2f} |"
            f" {cost.wall:.1f} | {cost.peak_mib:.0f} | {os.getloadavg()[0]:.1f} |"
        )


HEADS = """| | parse, CPU s | night, CPU s | ratio | night, s on the clock | peak MiB | load |
| --- | --- | --- | --- | --- | --- | --- |"""


def night_beside_parsing(export: Path, out: Path, what: str) -> Row:
    """One night over a whole export."""
    return Row(what, _cost_of_a_night(export, out), _floor(export))


def nights_with_a_base(base: Path, folder: Path, patients: int) -> Iterator[Row]:
    """Two nights over the same base: the first scans it, the second takes its stored rows.

    Raises
    ------
    ValueError
        where the second scanned any of it.
    """
    newer = made(folder / "newer", "--seed", "8", patients=max(patients // CHANGED_IN_A_NIGHT, 1))
    floor, out = _floor(base), folder / "out"
    yield Row("its base scanned", _cost_of_a_night(newer, out, base=base), floor)
    yield Row("its base stored", _cost_of_a_night(newer, out, base=base), floor)
    report = json.loads((out / "report.json").read_bytes())
    reused = report["run"]["base_files_reused"]
    if reused != sum(file["layer"] == 0 for file in report["inputs"]):
        raise ValueError(f"of the base {reused} files were stored, and not all")


def _cost_of_a_night(export: Path, out: Path, **options: Path) -> Cost:
    return measured(lambda: run(export, out, **options))


def _floor(export: Path) -> Cost:
    return measured(lambda: parse_only(export))
