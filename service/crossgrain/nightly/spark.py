"""The cluster engine: the same scanner, the same queries and the same judge on Apache Spark.

Which cluster is for the one who starts it to say: ``spark-submit``, ``--master``, or neither, for
threads of this machine. Pieces of the input are scanned by the executors, which must see the files
under the same paths.
What comes back to the driver is one answer per patient who was judged, never a resource;
it writes them to the same files as the local engine, so everything after that is shared.
"""

import os
import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache
from itertools import groupby
from typing import Any

import msgspec

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.completeness import Totals, seen_version
from crossgrain.nightly.judging import ENCODE, record_of
from crossgrain.nightly.local import Setting, judge_for, scanner_for
from crossgrain.nightly.plan import Chunk, RunOptions, RunRefused
from crossgrain.nightly.progress import Progress
from crossgrain.nightly.scan import Tally, Watch, watched_rows
from crossgrain.nightly.tables import GROUPED, IN_ORDER, TOTALS, steps
from crossgrain.nightly.workdir import WorkDir, write_whole

_SCHEMA = (
    "bucket int, patient string, kind string, id string, role string, kinds int,"
    " medication string, otherwise int, reasons string, layer int, file int, place long,"
    " body binary"
)


def run_on_spark(
    setting: Setting,
    chunks: list[Chunk],
    work: WorkDir,
    watch: Watch,
    progress: Progress,
) -> Totals:
    """Scan, group and judge on a cluster; it starts over where it was interrupted.

    Raises
    ------
    RunRefused
        where Spark is not installed, or the cluster fails.
    """
    try:
        from py4j.protocol import Py4JError  # noqa: PLC0415 - an extra
        from pyspark.errors import PySparkException  # noqa: PLC0415
    except ImportError:
        raise RunRefused(
            "--engine spark needs the extra: pip install 'crossgrain[spark]'"
        ) from None
    setting = _anywhere(setting)
    spark = None
    try:
        spark = _session(setting)
        pieces = spark.sparkContext.parallelize(chunks, max(len(chunks), 1))
        with progress.stage("reading", sum(c.end - c.start for c in chunks), "B") as advance:
            scanned = _computed(pieces.mapPartitions(lambda part: _scan(setting, part)))
            for number, tally in scanned.filter(_is_tally).toLocalIterator():
                write_whole(work.tally_of(number), tally)
                advance(chunks[number].end - chunks[number].start)
        version = seen_version(work, setting.options.version)
        rows = spark.createDataFrame(scanned.filter(_is_row).values(), _SCHEMA)
        watched = [msgspec.structs.astuple(r) for r in watched_rows(watch, setting.buckets)]
        rows = rows.union(spark.createDataFrame(watched, _SCHEMA))
        return _group_and_judge(spark, rows, setting, version, work, progress)
    except (PySparkException, Py4JError) as wrong:
        raise RunRefused(
            f"the cluster failed ({type(wrong).__name__}): nothing was published; its own log says"
            " more"
        ) from None
    finally:
        if spark is not None:
            spark.stop()


def _anywhere(setting: Setting) -> Setting:
    """The same for executors, which work in folders of their own."""
    chart = setting.options.chart
    if chart is None:
        return setting
    return replace(setting, options=replace(setting.options, chart=chart.absolute()))


def _computed(results: Any) -> Any:
    """Have all partitions worked out side by side and kept on the executors' disks.

    Streamed to the driver at once, they would be worked out one after the other.
    """
    from pyspark import StorageLevel  # noqa: PLC0415

    kept = results.persist(StorageLevel.DISK_ONLY)
    kept.count()
    return kept


def _session(setting: Setting) -> Any:
    from pyspark.sql import SparkSession  # noqa: PLC0415

    options = setting.options
    if _submitted() and options.master is not None:
        raise RunRefused("spark-submit has chosen the master; leave --master away")
    builder = SparkSession.builder.appName("crossgrain screen")
    builder = builder.config("spark.sql.session.timeZone", "UTC")
    builder = builder.config("spark.ui.showConsoleProgress", "false")
    builder = builder.config("spark.ui.enabled", "false")
    if not _submitted():
        os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
        builder = builder.master(options.master or f"local[{setting.jobs}]")
        builder = builder.config("spark.sql.shuffle.partitions", str(setting.buckets))
    spark = builder.getOrCreate()
    spark.sparkContext.setLogLevel("ERROR")
    return spark


def _submitted() -> bool:
    """Whether ``spark-submit`` has started us, and so has set the master and the rest.

    It runs the driver beside a JVM of its own and tells it the port. The master itself cannot be
    asked for: it stands in that JVM, to which nothing is connected yet.
    """
    return "PYSPARK_GATEWAY_PORT" in os.environ


def _group_and_judge(
    spark: Any,
    rows: Any,
    setting: Setting,
    version: FhirVersion,
    work: WorkDir,
    progress: Progress,
) -> Totals:
    rows.createOrReplaceTempView("every")
    with progress.stage("grouping", None, ""):
        for name, query in steps(layered=setting.layered):
            found = spark.sql(query)
            if name != "standing":  # small, and asked for more than once
                found = found.cache()
            found.createOrReplaceTempView(name)
        counted = spark.sql(TOTALS).first()
    totals = Totals(*counted)
    grouped = spark.sql(GROUPED).repartition(setting.buckets, "bucket")
    answers = grouped.sortWithinPartitions(*IN_ORDER).rdd.mapPartitionsWithIndex(
        lambda number, part: _judge(setting.options, version, number, part)
    )
    with progress.stage("judging", totals.to_judge, "patients") as advance:
        answers = _computed(answers)
        for number, count, lines in answers.toLocalIterator():
            write_whole(work.answers_of(number), lines)
            advance(count)
    return totals


def _scan(setting: Setting, part: Iterable[Chunk]) -> Iterator[tuple[int, Any]]:
    """On an executor: the rows of its pieces, and with each piece's number its tally."""
    scanner = scanner_for(setting, _catalogue(setting.options))
    for chunk in part:
        tally = Tally()
        yield from ((_ROW, msgspec.structs.astuple(row)) for row in scanner.scan(chunk, tally))
        yield chunk.number, msgspec.json.encode(tally)


_ROW = -1
"""Stands in a piece's place before a row."""


def _is_row(item: tuple[int, Any]) -> bool:
    return item[0] == _ROW


def _is_tally(item: tuple[int, Any]) -> bool:
    return item[0] != _ROW


def _judge(
    options: RunOptions, version: FhirVersion, number: int, part: Iterable[Any]
) -> Iterator[tuple[int, int, bytes]]:
    """On an executor: the answers of one partition, as the local engine writes them."""
    judge = judge_for(options, _catalogue(options), version)
    by_patient = groupby(part, key=lambda row: row.patient)
    lines = [
        ENCODE(judge.answer(patient, record_of((r.kind, r.id, r.role, r.body) for r in rows)))
        for patient, rows in by_patient
    ]
    yield number, len(lines), b"".join(line + b"\n" for line in lines)


@lru_cache(maxsize=1)  # each executor is given many partitions
def _catalogue(options: RunOptions) -> Catalogue:
    """The tables, read once per process."""
    return load_catalogue(options.chart)
