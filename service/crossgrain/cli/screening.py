"""The night at the command line: the run over an export."""

import os
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime
from enum import IntEnum
from pathlib import Path
from typing import Any

import typer
from rich.console import Console

from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.nightly.naming import Naming, Shown, checked_template, shown_from
from crossgrain.nightly.plan import AlreadyRunning, Engine, RunOptions, RunRefused, Worklist
from crossgrain.nightly.progress import OnConsole
from crossgrain.operations.faults import did_you_mean
from crossgrain.screening.course import FlagCode
from crossgrain.screening.writing import REASONS


class ScreenExit(IntEnum):
    """How a run ends, for cron. 1 is also the end of a wrong call.

    `INPUT_AT_FAULT`: done and published, but a part of the input could not be read or may be
    missing, so flags of earlier nights that it would have closed were carried over.
    """

    DONE = 0
    FAILED = 1
    INPUT_AT_FAULT = 4
    ALREADY_RUNNING = 5


@frozen
class DeskCall:
    """What may be shown on the worklist, as it was spelt."""

    show: tuple[str, ...] = ()
    record_system: str = ""
    link: str | None = None


def options(  # noqa: PLR0913 - one parameter per option
    *,
    export: Path,
    out: Path,
    days: Mapping[str, str | None],
    bases: tuple[str, ...],
    base: Path | None,
    version: FhirVersion | None,
    deployment: str,
    names: Mapping[str, str],
    jobs: int | None,
    memory_mb: int,
    chart: Path | None,
    accept_less: bool,
    master: str | None,
    desk: DeskCall,
) -> RunOptions:
    """The options as they were spelt, checked."""
    naming, link = _named(desk)
    return RunOptions(
        export=export,
        out=out,
        as_of=_day(days, "as-of") or datetime.now(UTC).date(),
        bases=bases,
        since=_day(days, "since"),
        base=base,
        version=version,
        deployment=deployment,
        worklist=Worklist(_one_of(names, "worklist", Worklist)),
        engine=Engine(_one_of(names, "engine", Engine)),
        jobs=jobs,
        memory_mb=memory_mb,
        chart=chart,
        accept_less=accept_less,
        master=master,
        naming=naming,
        link=link,
    )


def _named(desk: DeskCall) -> tuple[Naming, str | None]:
    try:
        shown = shown_from(desk.show)
        link = None if desk.link is None else checked_template(desk.link)
    except DomainError as wrong:
        raise typer.BadParameter(f"{wrong.field}: {wrong.message}") from None
    if desk.record_system and Shown.RECORD_NUMBER not in shown:
        raise typer.BadParameter("--record-system goes with --show record-number")
    return Naming(shown, desk.record_system), link


def _day(days: Mapping[str, str | None], name: str) -> date | None:
    text = days[name]
    try:
        return date.fromisoformat(text) if text is not None else None
    except ValueError:
        raise typer.BadParameter(f"--{name}: give a whole date, YYYY-MM-DD") from None


def _one_of(names: Mapping[str, str], name: str, known: Iterable[str]) -> str:
    if names[name] not in set(known):
        near = did_you_mean(names[name], known)
        raise typer.BadParameter(f"--{name} is one of: {', '.join(known)}{near}")
    return names[name]


_OF_THE_NIGHT = frozenset({"duckdb", "pyarrow"})
_NOT_INSTALLED = "crossgrain: screen needs the extra night: pip install 'crossgrain[night]'"


def screen(options: RunOptions) -> ScreenExit:
    """Run the nightly screening and say what became of it."""
    console = Console(stderr=True)
    try:
        from crossgrain.nightly.run import screen_export  # noqa: PLC0415 - DuckDB loads here
    except ModuleNotFoundError as missing:
        if missing.name not in _OF_THE_NIGHT:
            raise
        with _heard_or_not():
            console.print(_NOT_INSTALLED, markup=False)
        return ScreenExit.FAILED
    try:
        report = screen_export(options, OnConsole(console))
    except (RunRefused, DomainError) as refused:
        with _heard_or_not():
            console.print(f"crossgrain: {_words_of(refused)}", markup=False)
        running = isinstance(refused, AlreadyRunning)
        return ScreenExit.ALREADY_RUNNING if running else ScreenExit.FAILED
    with _heard_or_not():
        _tell(report, options.out)
    sound = report["whole"] and not report["doubts"]
    return ScreenExit.DONE if sound else ScreenExit.INPUT_AT_FAULT


def _words_of(refused: RunRefused | DomainError) -> str:
    if isinstance(refused, DomainError):
        return f"{refused.field}: {refused.message}"
    return str(refused)


@contextmanager
def _heard_or_not() -> Iterator[None]:
    """Say how a run ended; where nobody can be told, the exit code tells it all the same."""
    try:
        yield
    except OSError:
        for stream in (sys.stdout, sys.stderr):  # else the rest would fail at the very end
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _tell(report: dict[str, Any], out: Path) -> None:
    patients, issues = report["patients"], report["issues"]
    typer.echo(f"{patients['in']} patients in")
    for outcome, count in patients["out"].items():
        typer.echo(f"  {count:>10}  {outcome.replace('-', ' ')}")
    for code, grades in report["flags"].items():
        counted = ", ".join(f"{count} {grade}" for grade, count in grades.items())
        typer.echo(f"{REASONS[FlagCode(code)]}: {counted}")
    typer.echo("issues: " + (", ".join(f"{n} {what}" for what, n in issues.items()) or "none"))
    for fault in report["faults"][:20]:
        line = f", line {fault['line']}" if fault["line"] else ""
        typer.echo(f"{fault['file']}{line}: {fault['why']}", err=True)
    for doubt in report["doubts"]:
        typer.echo(f"in doubt: {doubt}", err=True)
    if report["doubts"]:
        typer.echo("what is in doubt closed no flag; if it is right so: --accept-less", err=True)
    for accepted in report["accepted"]:
        typer.echo(f"accepted: {accepted}", err=True)
    typer.echo(f"written to {out}; open summary.html, the worklist, first")
