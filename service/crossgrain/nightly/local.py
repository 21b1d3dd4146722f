"""The embedded engine: processes for scanning and judging, DuckDB for grouping between."""

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Protocol

import msgspec

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.nightly.base_rows import BaseRows
from crossgrain.nightly.completeness import Totals, seen_version
from crossgrain.nightly.judging import ENCODE, Judge
from crossgrain.nightly.plan import Chunk, RunOptions, RunRefused
from crossgrain.nightly.progress import Progress
from crossgrain.nightly.scan import Scanner, Tally, Watch, watched_rows
from crossgrain.nightly.sieve import Sieve
from crossgrain.nightly.tables import Grouping, patients_in, write_rows
from crossgrain.nightly.workdir import WorkDir, end_with_parent, write_whole
from crossgrain.screening.screen import Ruler, enabled


@frozen
class Setting:
    """What every process of a run is told."""

    options: RunOptions
    jobs: int
    buckets: int
    layered: bool


def scanner_for(setting: Setting, catalogue: Catalogue) -> Scanner:
    """The scanner of a run."""
    sieve = Sieve(catalogue.codes, catalogue.preparations)
    return Scanner(sieve, setting.buckets, names_too=setting.layered)


def judge_for(options: RunOptions, catalogue: Catalogue, version: FhirVersion) -> Judge:
    """The judge of a run."""
    bases = enabled(catalogue.bases, options.bases)
    ruler = Ruler(options.as_of, bases, catalogue.limits)
    return Judge(catalogue, ruler, version, options.naming)


class Tools:
    """What one process works with: what it learns of one piece serves the next."""

    def __init__(self, setting: Setting) -> None:
        self._options = setting.options
        self._catalogue = load_catalogue(setting.options.chart)
        self.scanner = scanner_for(setting, self._catalogue)

    def judge(self, version: FhirVersion) -> Judge:
        """The judge, once the version is known."""
        return judge_for(self._options, self._catalogue, version)


_kept: Tools | None = None


def begin(setting: Setting) -> None:
    """Begin as a process of a pool: it dies with the one that started it."""
    end_with_parent(signal.SIGKILL)  # no orphan works on in the folder
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides how a run ends
    prepare(setting)


def prepare(setting: Setting) -> None:
    """Read the tables that this process works with."""
    global _kept  # noqa: PLW0603 - a pool gives its processes no other place
    _kept = Tools(setting)


def scan_chunk(chunk: Chunk, rows: Path, tally: Path) -> int:
    """Scan one piece of the input; the tally, written last, says that it is done."""
    counted = Tally()
    write_rows(rows, _tools().scanner.scan(chunk, counted))
    write_whole(tally, msgspec.json.encode(counted))
    return chunk.end - chunk.start


def judge_bucket(folder: Path, answers: Path, version: FhirVersion) -> int:
    """Judge every patient of one bucket."""
    judge = _tools().judge(version)
    lines = [ENCODE(judge.answer(patient, record)) for patient, record in patients_in(folder)]
    write_whole(answers, b"".join(line + b"\n" for line in lines))
    return len(lines)


def _tools() -> Tools:
    assert _kept is not None  # the pool has called `begin`
    return _kept


Call = Callable[[], int]
"""One piece of work, which gives back how much it did."""


class Workers(Protocol):
    """Does pieces of work in any order."""

    def each(self, calls: Sequence[Call]) -> Iterator[int]:
        """What each piece did, as it ends; the first that fails ends the run."""


class _Here:
    """This process."""

    def each(self, calls: Sequence[Call]) -> Iterator[int]:
        """One after the other."""
        for call in calls:
            yield call()


class _Pool:
    """Processes of their own."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self._pool = pool

    def each(self, calls: Sequence[Call]) -> Iterator[int]:
        """Side by side."""
        for done in as_completed([self._pool.submit(call) for call in calls]):
            yield done.result()


@contextmanager
def workers_for(setting: Setting) -> Iterator[Workers]:
    """As many as the run asks for; processes are started fresh, so they hold no lock of ours."""
    if setting.jobs == 1:
        prepare(setting)
        yield _Here()
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(
        setting.jobs, mp_context=context, initializer=begin, initargs=(setting,)
    )
    try:
        yield _Pool(pool)
    except BrokenProcessPool:
        raise RunRefused(
            "a worker process died: it may have run out of memory; fewer --jobs help"
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def run_locally(
    setting: Setting,
    chunks: list[Chunk],
    work: WorkDir,
    base: BaseRows,
    watch: Watch,
    progress: Progress,
) -> Totals:
    """Scan, group and judge; each piece that is done stays done."""
    with workers_for(setting) as workers:
        base.take(setting.jobs, progress)
        _scan(workers, chunks, work, progress)
        base.keep(setting.jobs)
        version = seen_version(work, setting.options.version)
        write_rows(work.rows / "watched.parquet", watched_rows(watch, setting.buckets))
        totals = _group(setting, work, progress)
        _judge(workers, work, version, progress, totals.to_judge)
    return totals


def _scan(workers: Workers, chunks: list[Chunk], work: WorkDir, progress: Progress) -> None:
    with progress.stage("reading", sum(c.end - c.start for c in chunks), "B") as advance:
        calls: list[Call] = []
        for chunk in chunks:
            tally = work.tally_of(chunk.number)
            if tally.is_file():
                advance(chunk.end - chunk.start)
            else:
                rows = work.rows_of(chunk.number)
                calls.append(partial(scan_chunk, chunk, rows, tally))
        for done in workers.each(calls):
            advance(done)


def _group(setting: Setting, work: WorkDir, progress: Progress) -> Totals:
    known = work.done("group")
    if known is not None:
        return msgspec.json.decode(known, type=Totals)
    options = setting.options
    with progress.stage("grouping", None, "") as _:
        grouping = Grouping(
            work.rows, work.scratch, memory_mb=options.memory_mb, threads=setting.jobs
        )
        try:
            grouping.resolve(layered=setting.layered)
            totals = Totals(*grouping.totals())
            work.grouped.mkdir(mode=0o700)
            grouping.write_buckets(work.grouped)
        finally:
            grouping.close()
    work.mark("group", msgspec.json.encode(totals))
    return totals


def _judge(
    workers: Workers,
    work: WorkDir,
    version: FhirVersion,
    progress: Progress,
    patients: int,
) -> None:
    with progress.stage("judging", patients, "patients") as advance:
        calls: list[Call] = []
        for folder in sorted(work.grouped.iterdir()):
            answers = work.answers_of(int(folder.name.removeprefix("bucket=")))
            if answers.is_file():
                advance(answers.read_bytes().count(b"\n"))
            else:
                calls.append(partial(judge_bucket, folder, answers, version))
        for done in workers.each(calls):
            advance(done)
