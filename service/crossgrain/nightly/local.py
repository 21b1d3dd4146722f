"""The embedded engine: processes for scanning and judging, DuckDB for grouping between."""

import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path

import msgspec

from crossgrain.fhir.version import FhirVersion
from crossgrain.nightly.chunks import Chunk
from crossgrain.nightly.faults import RunRefused
from crossgrain.nightly.progress import Progress
from crossgrain.nightly.tables import Grouping
from crossgrain.nightly.totals import Totals, VersionOf
from crossgrain.nightly.workdir import WorkDir
from crossgrain.nightly.worker import Setting, begin, judge_bucket, scan_chunk


def run_locally(
    setting: Setting,
    chunks: list[Chunk],
    work: WorkDir,
    version_of: VersionOf,
    progress: Progress,
) -> Totals:
    """Scan, group and judge; each piece that is done stays done."""
    with _pool(setting) as pool:
        _scan(pool, chunks, work, progress)
        version = version_of(work)
        totals = _group(setting, work, progress)
        _judge(pool, work, version, progress, totals.to_judge)
    return totals


@contextmanager
def _pool(setting: Setting) -> Iterator[ProcessPoolExecutor]:
    """Worker processes, started fresh so that they hold no lock of ours."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(
        setting.options.jobs, mp_context=context, initializer=begin, initargs=(setting,)
    )
    try:
        yield pool
    except BrokenProcessPool:
        raise RunRefused(
            "a worker process died: it may have run out of memory; fewer --jobs help"
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _scan(
    pool: ProcessPoolExecutor, chunks: list[Chunk], work: WorkDir, progress: Progress
) -> None:
    with progress.stage("reading", sum(c.end - c.start for c in chunks), "B") as advance:
        todo = []
        for chunk in chunks:
            tally = work.tallies / f"{chunk.number:06}.json"
            if tally.is_file():
                advance(chunk.end - chunk.start)
            else:
                rows = work.rows / f"{chunk.number:06}.parquet"
                todo.append(pool.submit(scan_chunk, chunk, rows, tally))
        _drain(todo, advance)


def _group(setting: Setting, work: WorkDir, progress: Progress) -> Totals:
    known = work.done("group")
    if known is not None:
        return msgspec.json.decode(known, type=Totals)
    options = setting.options
    with progress.stage("grouping", None, "") as _:
        grouping = Grouping(
            work.rows, work.scratch, memory_mb=options.memory_mb, threads=options.jobs
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
    pool: ProcessPoolExecutor,
    work: WorkDir,
    version: FhirVersion,
    progress: Progress,
    patients: int,
) -> None:
    with progress.stage("judging", patients, "patients") as advance:
        todo = []
        for folder in sorted(work.grouped.iterdir()):
            answers = work.judged / f"{folder.name.partition('=')[2]:0>6}.ndjson"
            if answers.is_file():
                advance(_lines(answers))
            else:
                todo.append(pool.submit(judge_bucket, folder, answers, version))
        _drain(todo, advance)


def _drain(todo: list[Future[int]], advance: Callable[[int], None]) -> None:
    """Wait for every piece; the first that fails ends the run."""
    for done in as_completed(todo):
        advance(done.result())


def _lines(path: Path) -> int:
    return path.read_bytes().count(b"\n")
