"""The commands and their options. Each imports what it needs when it runs, to start fast."""

import sys
from enum import IntEnum
from pathlib import Path
from typing import Annotated

import typer

from crossgrain import __version__
from crossgrain.dosing.targets import Target
from crossgrain.names.identity import FhirVersion


class Exit(IntEnum):
    """How a command ends."""

    PLAN = 0
    ERROR = 1
    STOP = 2
    DATA_REQUIRED = 3


app = typer.Typer(
    name="crossgrain",
    help="Proposes how to move a patient between thyroid hormone preparations. A licensed"
    " prescriber decides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,  # they would print a record's values
)


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"crossgrain {__version__}")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Say the version."),
    ] = False,
) -> None: ...


def run() -> None:
    """Run a command. A wrong call ends with 1: 2 means that a safety finding stops the plan."""
    try:
        status = app(standalone_mode=False)
    except typer.TyperException as wrong:
        if str(wrong):  # empty where the help was printed instead
            typer.echo(f"crossgrain: {_said(wrong)}", err=True)
        status = Exit.ERROR
    except typer.Abort:
        status = Exit.ERROR
    except OSError as wrong:  # what was to be said could not be: a full disk, a broken pipe
        print(f"crossgrain: {wrong.strerror}", file=sys.stderr)
        status = Exit.ERROR
    sys.exit(status)


def _said(wrong: typer.TyperException) -> str:
    """What is wrong with a call, which parameter it is, and where to look what it may be."""
    context = getattr(wrong, "ctx", None)
    if context is None or "Did you mean" in str(wrong):
        return str(wrong)
    help_at = f"{context.command_path} --help"
    if option := getattr(wrong, "option_name", ""):
        from crossgrain.operations.faults import did_you_mean  # noqa: PLC0415

        known = [name for one in context.command.params for name in one.opts]
        return f"{wrong}{did_you_mean(option, known)} ({help_at})"
    if getattr(wrong, "param", None) is None:  # said by a command of ours, in full
        return str(wrong)
    return f"{wrong.format_message().replace('Invalid value for ', '').rstrip('.')} ({help_at})"


Record = Annotated[str, typer.Argument(help="A Bundle or Parameters as JSON; - for stdin.")]
AsOf = Annotated[str | None, typer.Option(help="The day to read the record on.")]
TimeZone = Annotated[str | None, typer.Option(help="Where today is meant.")]
WeeklyPattern = Annotated[
    bool, typer.Option("--weekly-pattern", help="Whole tablets of LT4, weekdays may differ.")
]
Lt3Doses = Annotated[str | None, typer.Option("--lt3-doses", help="Doses of LT3 in a day, 2 or 3.")]
Stock = Annotated[
    list[str] | None, typer.Option(help='A tablet that can be had, e.g. "levothyroxine 50".')
]
Chart = Annotated[
    Path | None, typer.Option(metavar="FILE", help="A clinic's own chart and stock, a TOML file.")
]
Fhir = Annotated[FhirVersion, typer.Option(help="The FHIR version.")]
Detail = Annotated[str | None, typer.Option(help="brief: the plan by its dates, no orders.")]
AsJson = Annotated[bool, typer.Option("--json", help="The answer as FHIR.")]
SheetFile = Annotated[
    Path | None, typer.Option(metavar="FILE.html", help="Write the plan sheet to a file.")
]
Part = Annotated[
    str | None, typer.Option("--page", help="Of the sheet: prescriber, patient, or both.")
]
Locale = Annotated[
    str | None, typer.Option("--locale", help="How the patient's part is written, e.g. en-GB.")
]
"""Options that several commands take, each under the same words."""


def _of_a_sheet(sheet: Path | None, **asked: str | None) -> dict[str, str | None]:
    """The options that only a sheet takes; without one they would do nothing."""
    for name in (name for name, value in asked.items() if value is not None and sheet is None):
        raise typer.BadParameter(f"--{name} is of the plan sheet: give --sheet FILE.html as well")
    return asked


@app.command()
def propose(  # noqa: PLR0913, PLR0917 - one parameter per option
    file: Record,
    target: Annotated[
        str | None, typer.Option(help=f"What to move to: {', '.join(Target)}.")
    ] = None,
    basis: Annotated[str | None, typer.Option(help="The basis of equivalence to aim at.")] = None,
    pace: Annotated[str | None, typer.Option(help="How fast the dose climbs.")] = None,
    prior_therapy: Annotated[
        str | None, typer.Option(help="overlap: the old medicine tapers. stop: it ends first.")
    ] = None,
    as_of: AsOf = None,
    start: Annotated[str | None, typer.Option(help="Day one of the plan.")] = None,
    time_zone: TimeZone = None,
    ratio: Annotated[str | None, typer.Option(help="T4:T3 of a combination, 13 to 20.")] = None,
    guideline: Annotated[bool, typer.Option("--guideline", help="LT3 = x/20.")] = False,
    t3_share: Annotated[
        str | None, typer.Option("--t3-share", help="Part that LT3 carries beside desiccated.")
    ] = None,
    desiccated_family: Annotated[str | None, typer.Option(help="The strength family.")] = None,
    weekly_pattern: WeeklyPattern = False,
    lt3_doses: Lt3Doses = None,
    another_product: Annotated[
        bool, typer.Option("--another-product", help="Exchange the desiccated product.")
    ] = False,
    order: Annotated[list[str] | None, typer.Option(help="The draft order to judge.")] = None,
    stock: Stock = None,
    chart: Chart = None,
    fhir: Fhir = FhirVersion.R4,
    detail: Detail = None,
    json: AsJson = False,
    why: Annotated[bool, typer.Option("--why", help="Show the whole rationale.")] = False,
    sheet: SheetFile = None,
    page: Part = None,
    locale: Locale = None,
) -> int:
    """Propose a switch for one patient's record."""
    from crossgrain.cli import proposing  # noqa: PLC0415

    single = {
        "target": target,
        "basis": basis,
        "pace": pace,
        "prior-therapy": prior_therapy,
        "as-of": as_of,
        "start": start,
        "time-zone": time_zone,
        "ratio": ratio,
        "guideline": "true" if guideline else None,
        "t3-share": t3_share,
        "desiccated-family": desiccated_family,
        "weekly-pattern": "true" if weekly_pattern else None,
        "lt3-doses": lt3_doses,
        "another-product": "true" if another_product else None,
        "detail": detail,
        **_of_a_sheet(sheet, page=page, locale=locale),
    }
    question = proposing.ProposeCall(
        body=proposing.read_input(file),
        options={name: value for name, value in single.items() if value is not None},
        repeated={"order": tuple(order or ()), "stock": tuple(stock or ())},
        version=fhir,
        chart=chart,
    )
    if sheet:
        return proposing.as_sheet(question, sheet)
    return proposing.as_json(question) if json else proposing.as_text(question, why=why)


@app.command("next")
def next_step(  # noqa: PLR0913, PLR0917 - one parameter per option
    file: Record,
    plan: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="The earlier answer, or its CarePlan; - for stdin."),
    ] = None,
    as_of: AsOf = None,
    start: Annotated[str | None, typer.Option(help="From when the step holds.")] = None,
    time_zone: TimeZone = None,
    basis: Annotated[str | None, typer.Option(help="Where no plan runs: the basis.")] = None,
    pace: Annotated[str | None, typer.Option(help="Where no plan runs: the pace.")] = None,
    weekly_pattern: WeeklyPattern = False,
    lt3_doses: Lt3Doses = None,
    stock: Stock = None,
    chart: Chart = None,
    fhir: Fhir = FhirVersion.R4,
    detail: Detail = None,
    json: AsJson = False,
    sheet: SheetFile = None,
    page: Part = None,
    locale: Locale = None,
) -> int:
    """Say what is done next for one patient: in the midst of a plan, or where none runs."""
    from crossgrain.cli import proposing  # noqa: PLC0415

    single = {
        "as-of": as_of,
        "start": start,
        "time-zone": time_zone,
        "basis": basis,
        "pace": pace,
        "weekly-pattern": "true" if weekly_pattern else None,
        "lt3-doses": lt3_doses,
        "detail": detail,
        **_of_a_sheet(sheet, page=page, locale=locale),
    }
    question = proposing.ProposeCall(
        body=proposing.read_input(file),
        options={name: value for name, value in single.items() if value is not None},
        repeated={"stock": tuple(stock or ())},
        version=fhir,
        chart=chart,
    )
    earlier = proposing.read_input(plan) if plan else None
    if sheet:
        return proposing.next_step_as_sheet(question, earlier, sheet)
    if json:
        return proposing.next_step_as_json(question, earlier)
    return proposing.next_step_as_text(question, earlier)


@app.command()
def bases(chart: Chart = None) -> int:
    """Show every basis of equivalence, with its source."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_bases(chart)


@app.command()
def evidence(
    chart: Chart = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="The whole note, as service/docs/evidence.md.")
    ] = False,
) -> int:
    """Show every basis against the published comparisons."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_evidence(chart, markdown=markdown)


@app.command()
def expand(
    server: Annotated[str, typer.Argument(help="A FHIR terminology server's base address.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the files go.")],
    token_file: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A bearer token, where one is needed.")
    ] = None,
    seconds: Annotated[float, typer.Option(help="How long one answer may take.")] = 60,
) -> int:
    """Write the concepts below those that the safety rules know, for the clinic's file."""
    import httpx2 as httpx  # noqa: PLC0415

    from crossgrain.cli import listing  # noqa: PLC0415

    with httpx.Client(timeout=seconds) as client:
        return listing.expand(server, out, token_file, client)


@app.command()
def numbers(
    chart: Chart = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As service/docs/numbers.md.")
    ] = False,
) -> int:
    """Show every clinical number: its source, what it reaches, and whether a clinic may set it."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_numbers(chart, markdown=markdown)


@app.command()
def options(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As service/docs/options.md.")
    ] = False,
) -> int:
    """Show every option of every operation: what a call may say."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_options(markdown=markdown)


@app.command()
def errors(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As service/docs/errors.md.")
    ] = False,
) -> int:
    """Show every error that a call may be answered with."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_errors(markdown=markdown)


@app.command()
def settings(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As service/docs/settings.md.")
    ] = False,
) -> int:
    """Show every setting with its default: what a deployment may set."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_settings(markdown=markdown)


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="The address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8000,
    workers: Annotated[int, typer.Option(min=1, help="Processes.")] = 1,
) -> int:
    """Serve the FHIR operations over HTTP. What can be set: crossgrain settings."""
    from crossgrain.cli import serving  # noqa: PLC0415

    return serving.serve(host, port, workers)


@app.command()
def doctor(
    host: Annotated[str, typer.Option(help="The address to be listened on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8000,
) -> int:
    """Say what would keep this deployment from serving: settings, data, port, day, keys."""
    from crossgrain.cli import doctor as examining  # noqa: PLC0415

    return examining.examine(host, port)


@app.command()
def screen(  # noqa: PLR0913, PLR0917 - one parameter per option
    export: Annotated[Path, typer.Argument(help="A folder of NDJSON files, or a manifest.")],
    out: Annotated[Path, typer.Option(help="Where the flags and the summary go.")],
    as_of: Annotated[str | None, typer.Option(help="The day to read on. Default: today.")] = None,
    basis: Annotated[list[str] | None, typer.Option(help="A basis to judge on.")] = None,
    since: Annotated[str | None, typer.Option(help="Leave out switches before this day.")] = None,
    base: Annotated[
        Path | None, typer.Option(help="The full export that an incremental one builds on.")
    ] = None,
    fhir: Annotated[FhirVersion | None, typer.Option(help="Default: as the export shows.")] = None,
    deployment: Annotated[str, typer.Option(help="Named in every flag's id.")] = "local",
    worklist: Annotated[str, typer.Option(help="none, task or flag.")] = "none",
    engine: Annotated[str, typer.Option(help="local or spark.")] = "local",
    jobs: Annotated[int | None, typer.Option(min=1, help="Processes. Default: all cores.")] = None,
    memory: Annotated[int, typer.Option(min=64, help="MiB that grouping may take.")] = 512,
    chart: Chart = None,
    show: Annotated[
        list[str] | None,
        typer.Option(
            help="What names a patient on the worklist: name, record-number, birth-date."
            " Repeatable. Default: the reference alone."
        ),
    ] = None,
    record_system: Annotated[
        str, typer.Option(help="Identifier system of the record number. Default: type MR.")
    ] = "",
    link: Annotated[
        str | None,
        typer.Option(help="Where a chart opens, e.g. https://ehr.example/chart/{id}."),
    ] = None,
    accept_less: Annotated[
        bool,
        typer.Option("--accept-less", help="Less than on an earlier night is right: close flags."),
    ] = False,
    master: Annotated[
        str | None, typer.Option(help="Spark's cluster, spark://host:7077. Default: this machine.")
    ] = None,
) -> int:
    """Find the switches made at too low or too high a dose in a bulk export.

    Exit code 0: done. 1: not done, and nothing was published. 4: done, but a part of the input
    could not be read or may be missing, so no flag was closed by it. 5: another run is at work.
    """
    from crossgrain.cli import screening  # noqa: PLC0415

    return screening.screen(
        screening.options(
            export=export,
            out=out,
            days={"as-of": as_of, "since": since},
            bases=tuple(basis or ()),
            base=base,
            version=fhir,
            deployment=deployment,
            names={"worklist": worklist, "engine": engine},
            jobs=jobs,
            memory_mb=memory,
            chart=chart,
            accept_less=accept_less,
            master=master,
            desk=screening.DeskCall(tuple(show or ()), record_system, link),
        )
    )


@app.command()
def send(
    out: Annotated[Path, typer.Argument(help="The folder that screen wrote to.")],
    to: Annotated[str, typer.Option(help="Base address of the FHIR server.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Count, and file nothing.")] = False,
    client_id: Annotated[str | None, typer.Option(help="As registered with the server.")] = None,
    key: Annotated[Path | None, typer.Option(help="The client's private key, a JWK file.")] = None,
    token_url: Annotated[str, typer.Option(help="Default: as the server publishes it.")] = "",
    scope: Annotated[
        str, typer.Option(help="What to ask the server for.")
    ] = "system/DetectedIssue.cru system/Task.cru system/Flag.cru",
) -> int:
    """File the flags of a finished screening on a FHIR server."""
    from crossgrain.cli import screening as sending  # noqa: PLC0415

    return sending.send_flags(
        out,
        to,
        sending.client(client_id, key, token_url, scope),
        dry_run=dry_run,
    )


@app.command()
def package(
    out: Annotated[Path, typer.Option("--out", help="Where the package is written, a .tgz.")],
    fhir: Fhir = FhirVersion.R4,
) -> int:
    """Write the FHIR package of all definitions: profiles, operations, codes."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.write_package(fhir, out)


@app.command()
def openapi() -> int:
    """Print the OpenAPI document."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_openapi()
