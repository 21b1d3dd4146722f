"""The folder of a run: its lock, what is done so far, and the change to the new outputs.

A file is there whole or not at all, whenever the process dies.

``OUT/.work`` holds the plan, one file per finished piece of work, and at the end the outputs,
complete, in ``ready``. Everything in it appears whole or not at all, so a run that was killed
goes on from what is there. The outputs change by renames, the report last: a report names the
digest of every output, so a reader can tell whether they belong together. ``OUT/.base`` outlives
the run: what it kept of its base (`base_rows`).

A worker whose parent was killed would wait for work for ever, and hold its memory, its files and
the port that it listens at.
"""

import ctypes
import fcntl
import hashlib
import multiprocessing
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from crossgrain.nightly.plan import AlreadyRunning, RunPlan, Worklist

OWNER_ONLY = 0o600
"""Outputs name patients: nobody but the one who runs the job may read them."""


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under another name, see it on the disk, then give it its own."""

    def fill(beside: Path) -> None:
        beside.write_bytes(content)

    put_whole(path, fill)


def put_whole(path: Path, fill: Callable[[Path], None]) -> None:
    """Have `fill` write a file that appears under `path` only when it is complete."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        fill(beside)
        beside.chmod(OWNER_ONLY)
        sync(beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    sync(path.parent)


def sync(path: Path) -> None:
    """See a file or a folder on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def digest_of(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


REPORT = "report.json"
ISSUES = "DetectedIssue.ndjson"
ENTRIES = {Worklist.TASK: "Task.ndjson", Worklist.FLAG: "Flag.ndjson"}
KEPT_FOR_NEXT_NIGHT = (ISSUES, *ENTRIES.values())
"""Outputs that the next night builds on."""


@contextmanager
def locked(out: Path) -> Iterator[None]:
    """Hold the folder; the lock goes with the process, however it ends.

    Raises
    ------
    AlreadyRunning
        where another run holds it.
    """
    out.mkdir(parents=True, exist_ok=True, mode=0o700)
    handle = os.open(out / ".lock", os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, OWNER_ONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise AlreadyRunning(f"{out}: another run is at work in this folder") from None
    else:
        yield
    finally:
        os.close(handle)


class WorkDir:
    """The unfinished work of one run."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.root = out / ".work"
        self.base = out / ".base"
        self.rows = self.root / "rows"
        self.tallies = self.root / "tallies"
        self.grouped = self.root / "grouped"
        self.judged = self.root / "judged"
        self.previous = self.root / "previous"
        self.ready = self.root / "ready"
        self.scratch = self.root / "scratch"

    def open(self, plan: RunPlan) -> bool:
        """Go on with the work of an equal plan, or begin anew; true where it goes on."""
        self._finish_change()
        written = self.root / "plan.json"
        wanted = msgspec.json.encode(plan)
        if written.is_file() and written.read_bytes() == wanted:
            self._clear_half_done()
            return True
        self.clear()
        for folder in (self.rows, self.tallies, self.judged, self.previous, self.scratch):
            folder.mkdir(parents=True, mode=0o700)
        self._keep_previous()
        write_whole(written, wanted)
        return False

    def clear(self) -> None:
        """Forget everything."""
        shutil.rmtree(self.root, ignore_errors=True)

    def rows_of(self, chunk: int) -> Path:
        """What one piece of the input gave."""
        return self.rows / f"{chunk:06}.parquet"

    def tally_of(self, chunk: int) -> Path:
        """What one piece of the input held; where it is there, the piece is done."""
        return self.tallies / f"{chunk:06}.json"

    def answers_of(self, bucket: int) -> Path:
        """The answers of one bucket; where they are there, it is done."""
        return self.judged / f"{bucket:06}.ndjson"

    def mark(self, name: str, content: bytes = b"{}") -> None:
        """Note that a stage is done, with what it found."""
        write_whole(self.root / f"{name}.done", content)

    def done(self, name: str) -> bytes | None:
        """What a finished stage found, or ``None`` while it is not finished."""
        path = self.root / f"{name}.done"
        return path.read_bytes() if path.is_file() else None

    @property
    def is_changing(self) -> bool:
        """Whether new outputs are taking the place of the old ones."""
        return self.done("ready") is not None

    def begin_ready(self) -> Path:
        """An empty folder for the outputs."""
        shutil.rmtree(self.ready, ignore_errors=True)
        self.ready.mkdir(mode=0o700)
        return self.ready

    def publish(self) -> None:
        """Put the complete outputs in the place of the old ones."""
        for path in self.ready.iterdir():
            sync(path)
        self.mark("ready")
        self._finish_change()

    def _finish_change(self) -> None:
        """Finish a change of outputs that was under way, and forget the work."""
        if not self.is_changing:
            return
        names = sorted(path.name for path in self.ready.iterdir())
        for name in sorted(names, key=lambda name: (name == REPORT, name)):
            (self.ready / name).replace(self.out / name)
        report = msgspec.json.decode((self.out / REPORT).read_bytes())
        for name in {*KEPT_FOR_NEXT_NIGHT} - {*report["outputs"]}:
            (self.out / name).unlink(missing_ok=True)  # of a worklist that is no longer wanted
        self.clear()

    def _clear_half_done(self) -> None:
        if self.done("group") is None:
            shutil.rmtree(self.grouped, ignore_errors=True)
        shutil.rmtree(self.scratch, ignore_errors=True)
        self.scratch.mkdir(mode=0o700)
        for part in self.root.rglob(".*.part"):
            part.unlink()

    def _keep_previous(self) -> None:
        """Set aside what the last night found: this night closes what it finds no more."""
        for name in (*KEPT_FOR_NEXT_NIGHT, REPORT):
            if (self.out / name).is_file():
                shutil.copyfile(self.out / name, self.previous / name)


_PR_SET_PDEATHSIG = 1


def end_with_parent(number: int) -> None:
    """Linux: be sent a signal when the process that started this one ends, however it ends.

    A process that no other of ours started is left as it is.
    """
    parent = multiprocessing.parent_process()
    if parent is None or sys.platform != "linux":
        return
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, number)
    if os.getppid() != parent.pid:  # it ended before the system was asked
        os.kill(os.getpid(), number)
