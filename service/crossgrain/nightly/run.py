"""One run from end to end: lock, plan, engine, outputs."""

import os
import time
from typing import Any

import duckdb
import msgspec

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.dosing.bases import Basis
from crossgrain.names.values import frozen
from crossgrain.nightly.base_rows import BaseRows, base_rows, package_digest
from crossgrain.nightly.completeness import (
    NightsCompared,
    Totals,
    files_read,
    findings_of,
    seen_version,
    tallies_in,
)
from crossgrain.nightly.export import Export, open_export
from crossgrain.nightly.issues import Earlier, Ledger, Night
from crossgrain.nightly.local import Setting, run_locally
from crossgrain.nightly.outputs import (
    digests,
    patients_of,
    report_of,
    write_issues,
    write_reviews,
    write_table,
)
from crossgrain.nightly.plan import (
    Chunk,
    Engine,
    RunOptions,
    RunPlan,
    RunRefused,
    SourceFile,
    chunks_of,
    input_file,
    processes_for,
)
from crossgrain.nightly.progress import Progress
from crossgrain.nightly.scan import Watch
from crossgrain.nightly.summary import write_summary
from crossgrain.nightly.workdir import REPORT, WorkDir, locked, write_whole
from crossgrain.nightly.worklist import NightDesk, write_csv
from crossgrain.screening.screen import enabled

_BUCKET_BYTES = 64 * 1024 * 1024
_LEAST_BUCKETS, _MOST_BUCKETS = 16, 2048


@frozen
class _Run:
    """What stands before the work begins."""

    options: RunOptions
    catalogue: Catalogue
    bases: tuple[Basis, ...]
    export: Export
    base: Export | None
    plan: RunPlan
    jobs: int
    work: WorkDir
    chunks: list[Chunk]
    rows_of_base: BaseRows


def screen_export(options: RunOptions, progress: Progress) -> dict[str, Any]:
    """Screen an export, publish the outputs, and give back the report.

    Raises
    ------
    RunRefused
        where the run cannot be made as asked, or another is at work; nothing is published.
    """
    began = time.monotonic()
    work = WorkDir(options.out)
    try:
        _check(options)
        catalogue = load_catalogue(options.chart)
        bases = _enabled(options, catalogue)
        export, base = _inputs(options)
        with locked(options.out):
            files = (*(base.files if base else ()), *export.files)
            plan = _plan(options, catalogue, bases, files, layered=base is not None)
            chunks = chunks_of(files)
            rows = base_rows(work, plan.program, plan.buckets, chunks)
            jobs = options.jobs or processes_for(plan.inputs)
            run = _Run(options, catalogue, bases, export, base, plan, jobs, work, chunks, rows)
            return _worked(run, progress, began)
    except (duckdb.Error, OSError) as wrong:
        raise RunRefused(_without_values(wrong, work)) from wrong


def _worked(run: _Run, progress: Progress, began: float) -> dict[str, Any]:
    options, work = run.options, run.work
    resumed = work.open(run.plan)
    earlier = _earlier(work)
    watch = earlier.watch()
    totals = _work(run, watch, progress)
    report = _write(run, totals, earlier, watch)
    report["run"] = {
        "engine": options.engine,
        "jobs": run.jobs,
        "memory_mb": options.memory_mb,
        "resumed": resumed,
        "base_files_reused": run.rows_of_base.taken,
        "seconds": round(time.monotonic() - began, 3),
    }
    written = msgspec.json.format(msgspec.json.encode(report), indent=2)
    write_whole(work.ready / REPORT, written + b"\n")
    work.publish()
    return report


def _earlier(work: WorkDir) -> Earlier:
    try:
        return Earlier(work.previous)
    except RunRefused:
        work.clear()  # else a copy of what cannot be read would be taken up again
        raise


def _enabled(options: RunOptions, catalogue: Catalogue) -> tuple[Basis, ...]:
    known = {basis.id: basis for basis in catalogue.bases}
    for wanted in options.bases:
        if wanted not in known:
            raise RunRefused(f"--basis {wanted}: no such basis; there are {', '.join(known)}")
    return enabled(catalogue.bases, options.bases)


def _check(options: RunOptions) -> None:
    """Refuse what cannot be meant."""
    if options.out.exists() and not options.out.is_dir():
        raise RunRefused(f"{options.out}: --out must be a folder, and this is a file")
    if options.out.resolve() in {p.resolve() for p in (options.export, options.base) if p}:
        raise RunRefused(f"{options.out}: --out must be another folder than the export's")
    if options.master is not None and options.engine is not Engine.SPARK:
        raise RunRefused("--master is Spark's: it goes with --engine spark")


def _inputs(options: RunOptions) -> tuple[Export, Export | None]:
    export = open_export(options.export)
    if export.incremental and options.base is None:
        raise RunRefused(
            "the export holds only what changed since an earlier one; give that one as --base"
        )
    base = open_export(options.base, layer=0) if options.base else None
    if base is not None and base.incremental:
        raise RunRefused("--base must be a full export, and this one is incremental")
    return export, base


def _plan(
    options: RunOptions,
    catalogue: Catalogue,
    bases: tuple[Basis, ...],
    files: tuple[SourceFile, ...],
    *,
    layered: bool,
) -> RunPlan:
    inputs = [input_file(file) for file in files]
    lowest = min(file.layer for file in inputs)  # a base's rows outlive the changes to it
    size = sum(file.bytes for file in inputs if file.layer == lowest)
    buckets = min(max(size // _BUCKET_BYTES, _LEAST_BUCKETS), _MOST_BUCKETS)
    return RunPlan(
        program=package_digest(options.chart),
        inputs=inputs,
        as_of=options.as_of,
        bases=[basis.id for basis in bases],
        since=options.since,
        version=options.version,
        deployment=options.deployment,
        worklist=options.worklist,
        limits=repr(catalogue.limits),
        buckets=buckets,
        layered=layered,
        engine=options.engine,
        accept_less=options.accept_less,
        shown=sorted(options.naming.shown),
        record_system=options.naming.record_system,
        link=options.link,
    )


def _work(run: _Run, watch: Watch, progress: Progress) -> Totals:
    setting = Setting(run.options, run.jobs, run.plan.buckets, run.plan.layered)
    if run.options.accept_less:
        watch = dict.fromkeys(watch, ())
    if run.options.engine is Engine.SPARK:
        from crossgrain.nightly.spark import run_on_spark  # noqa: PLC0415 - an extra

        run.rows_of_base.forget()  # executors cannot see them
        return run_on_spark(setting, run.chunks, run.work, watch, progress)
    return run_locally(setting, run.chunks, run.work, run.rows_of_base, watch, progress)


def _write(run: _Run, totals: Totals, earlier: Earlier, watch: Watch) -> dict[str, Any]:
    options, work = run.options, run.work
    version, limits = seen_version(work, options.version), run.catalogue.limits
    read = files_read(run.chunks, tallies_in(work))
    findings = findings_of(
        tuple(export for export in (run.base, run.export) if export is not None),
        run.plan.inputs,
        read,
        NightsCompared(earlier.measure, sum(map(bool, watch.values())), limits),
        totals,
        accept_less=options.accept_less,
    )
    ledger = Ledger(work.judged, since=options.since, watch=watch, limits=limits)
    patients = patients_of(totals, ledger.counts)
    night = Night(
        deployment=options.deployment,
        as_of=options.as_of,
        version=version,
        worklist=options.worklist,
        whole=findings.whole,
        earlier=earlier,
    )
    ready = work.begin_ready()
    write_issues(ready, night, ledger)
    write_reviews(ready, ledger)
    write_table(ready, ledger, tuple(run.plan.bases))
    report = report_of(run.plan, version, read, findings, patients, ledger.counts, night.counts)
    desk = NightDesk(night, options.naming.shown, options.link)
    write_csv(ready, ledger, desk)
    write_summary(ready, report, ledger, desk, run.bases)
    report["outputs"] = digests(ready)
    return report


def _without_values(wrong: Exception, work: WorkDir) -> str:
    """What went wrong, without anything that a record could have put into the message."""
    if work.is_changing:
        return "the outputs are whole, but not all of them are in place: call it again to finish"
    if isinstance(wrong, OSError) and wrong.strerror:
        return (
            f"{_place_of(wrong)}{wrong.strerror}: nothing was published; call it again and it goes"
            " on from here"
        )
    return (
        f"the grouping failed ({type(wrong).__name__}): nothing was published; look for disk space,"
        " then call the run again"
    )


def _place_of(wrong: OSError) -> str:
    """The file that it is about, where the system says so."""
    name = wrong.filename
    return f"{os.fsdecode(name)}: " if isinstance(name, str | bytes) else ""
