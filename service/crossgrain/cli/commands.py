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
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None: ...


def run() -> None:
    """Run a command. A wrong call ends with 1: 2 means that a safety finding stops the plan."""
    try:
        status = app(prog_name="crossgrain", standalone_mode=False)
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


Record = Annotated[str, typer.Argument(help="A FHIR Bundle or Parameters as JSON; - reads stdin.")]
AsOf = Annotated[str | None, typer.Option(help="Read the record as of this day. Default: today.")]
TimeZone = Annotated[
    str | None,
    typer.Option(
        help="The time zone where the record is read, e.g. America/New_York. Default: UTC."
    ),
]
WeeklyPattern = Annotated[
    bool, typer.Option("--weekly-pattern", help="LT4 in whole tablets; weekdays may differ.")
]
Lt3Doses = Annotated[str | None, typer.Option("--lt3-doses", help="LT3 in 2 or 3 doses a day.")]
Stock = Annotated[
    list[str] | None, typer.Option(help='A tablet in stock, e.g. "levothyroxine 50". Repeatable.')
]
Chart = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="The clinic's own charts, stock and numbers (TOML)."),
]
Fhir = Annotated[FhirVersion, typer.Option(help="FHIR version.")]
Detail = Annotated[
    str | None, typer.Option(help="brief: a few kB, the plan by date without orders.")
]
Answers = Annotated[
    list[str] | None,
    typer.Option(metavar="FILE", help="Answers to its questions, a QuestionnaireResponse."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as FHIR JSON.")]
SheetFile = Annotated[
    Path | None, typer.Option(metavar="FILE.html", help="Write the printable plan sheet to a file.")
]
Part = Annotated[
    str | None, typer.Option("--page", help="Of the sheet: prescriber, patient, or both.")
]
Locale = Annotated[
    str | None, typer.Option("--locale", help="How the sheet writes dates and words, e.g. en-GB.")
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
    basis: Annotated[
        str | None, typer.Option(help="The chart to aim at (crossgrain bases). Default: practice.")
    ] = None,
    pace: Annotated[
        str | None, typer.Option(help="How fast the dose climbs: standard, brisk or cautious.")
    ] = None,
    prior_therapy: Annotated[
        str | None,
        typer.Option(help="overlap: the old medicine tapers (default). stop: it ends on day one."),
    ] = None,
    as_of: AsOf = None,
    start: Annotated[
        str | None, typer.Option(help="Day one of the plan. Default: the day of --as-of.")
    ] = None,
    time_zone: TimeZone = None,
    ratio: Annotated[
        str | None, typer.Option(help="T4:T3 by weight in LT4 + LT3, from 13 to 20.")
    ] = None,
    guideline: Annotated[
        bool, typer.Option("--guideline", help="Compose LT4 + LT3 by the guideline's x/20 rule.")
    ] = False,
    t3_share: Annotated[
        str | None,
        typer.Option("--t3-share", help="The part of the dose that LT3 carries beside desiccated."),
    ] = None,
    desiccated_family: Annotated[
        str | None, typer.Option(help="desiccated-thyroid-60 or desiccated-thyroid-65.")
    ] = None,
    weekly_pattern: WeeklyPattern = False,
    lt3_doses: Lt3Doses = None,
    another_product: Annotated[
        bool, typer.Option("--another-product", help="Change to another desiccated product.")
    ] = False,
    order: Annotated[
        list[str] | None, typer.Option(help="The draft order to judge. Repeatable.")
    ] = None,
    stock: Stock = None,
    answers: Answers = None,
    chart: Chart = None,
    fhir: Fhir = FhirVersion.R4,
    detail: Detail = None,
    json: AsJson = False,
    why: Annotated[bool, typer.Option("--why", help="Print the whole rationale.")] = False,
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
        answers=tuple(map(proposing.read_input, answers or ())),
    )
    if sheet:
        return proposing.as_sheet(question, sheet)
    return proposing.as_json(question) if json else proposing.as_text(question, why=why)


@app.command("next")
def next_step(  # noqa: PLR0913, PLR0917 - one parameter per option
    file: Record,
    plan: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="The earlier answer, or its CarePlan; - reads stdin."),
    ] = None,
    as_of: AsOf = None,
    start: Annotated[
        str | None,
        typer.Option(help="The day from which the step applies. Default: that of --as-of."),
    ] = None,
    time_zone: TimeZone = None,
    basis: Annotated[
        str | None, typer.Option(help="If no plan is running: the chart to aim at.")
    ] = None,
    pace: Annotated[
        str | None, typer.Option(help="If no plan is running: how fast the dose changes.")
    ] = None,
    weekly_pattern: WeeklyPattern = False,
    lt3_doses: Lt3Doses = None,
    stock: Stock = None,
    answers: Answers = None,
    chart: Chart = None,
    fhir: Fhir = FhirVersion.R4,
    detail: Detail = None,
    json: AsJson = False,
    sheet: SheetFile = None,
    page: Part = None,
    locale: Locale = None,
) -> int:
    """Say what to do next for one patient, whether or not a plan is running."""
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
        answers=tuple(map(proposing.read_input, answers or ())),
    )
    earlier = proposing.read_input(plan) if plan else None
    if sheet:
        return proposing.next_step_as_sheet(question, earlier, sheet)
    if json:
        return proposing.next_step_as_json(question, earlier)
    return proposing.next_step_as_text(question, earlier)


@app.command()
def bases(chart: Chart = None) -> int:
    """Show every chart of equivalence, with its source."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_bases(chart)


@app.command()
def evidence(
    chart: Chart = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As Markdown, the whole of service/docs/evidence.md.")
    ] = False,
) -> int:
    """Hold every chart against the published comparisons."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_evidence(chart, markdown=markdown)


@app.command()
def expand(
    server: Annotated[str, typer.Argument(help="Base URL of a FHIR terminology server.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="The folder to write to.")],
    token_file: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A file that holds the bearer token.")
    ] = None,
    seconds: Annotated[float, typer.Option(help="Time limit for one answer.")] = 60,
) -> int:
    """Expand the safety rules' SNOMED CT concepts, for the clinic's file."""
    import httpx2 as httpx  # noqa: PLC0415

    from crossgrain.cli import expanding  # noqa: PLC0415

    with httpx.Client(timeout=seconds) as client:
        return expanding.expand(server, out, token_file, client)


@app.command("import")
def import_catalogue(  # noqa: PLR0913, PLR0917 - one parameter per option
    file: Annotated[Path, typer.Argument(help="A national catalogue of medicines (CSV).")],
    system: Annotated[str, typer.Option(help="URI of its codes, as records name it.")],
    code: Annotated[str, typer.Option(help="Heading of the column of codes.")],
    name: Annotated[str, typer.Option(help="Of the column of product names.")],
    ingredient: Annotated[str, typer.Option(help="Of the column of ingredients.")],
    strength: Annotated[str, typer.Option(help="Of the column of strengths.")],
    form: Annotated[str, typer.Option(help="Of the column of forms.")],
    out: Annotated[Path, typer.Option(metavar="FILE.toml", help="The file to write.")],
    unit: Annotated[
        str, typer.Option(help="Of the column of units. Default: they stand with the strengths.")
    ] = "",
    delimiter: Annotated[str, typer.Option(help="What parts two cells.")] = ",",
    encoding: Annotated[str, typer.Option(help="Of the file, e.g. cp1252.")] = "utf-8",
    decimal_comma: Annotated[
        bool, typer.Option("--decimal-comma", help="Numbers are written 12,5.")
    ] = False,
    between: Annotated[
        str, typer.Option(help="What parts several ingredients, strengths or units in a cell.")
    ] = ";",
    form_is: Annotated[
        list[str] | None,
        typer.Option(help="What a form's code means, e.g. TAB=tablet. Repeatable."),
    ] = None,
    chart: Chart = None,
) -> int:
    """Make a file of products for the clinic's file from a national catalogue."""
    from crossgrain.catalogue.national import Columns, Layout  # noqa: PLC0415
    from crossgrain.cli import importing  # noqa: PLC0415

    columns = Columns(code, name, ingredient, strength, form, unit)
    forms = importing.forms_said(form_is or [])
    layout = Layout(system, columns, delimiter, decimal_comma, between, forms)
    return importing.import_file(file, encoding, layout, chart, out)


@app.command()
def numbers(
    chart: Chart = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As Markdown, for service/docs/numbers.md.")
    ] = False,
) -> int:
    """Show every clinical number: its source, what it reaches, and whether a clinic may set it."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_numbers(chart, markdown=markdown)


@app.command()
def options(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As Markdown, for service/docs/options.md.")
    ] = False,
) -> int:
    """Show every option of every operation."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_options(markdown=markdown)


@app.command()
def errors(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As Markdown, for service/docs/errors.md.")
    ] = False,
) -> int:
    """Show every error that a call may return."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_errors(markdown=markdown)


@app.command()
def settings(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As Markdown, for service/docs/settings.md.")
    ] = False,
) -> int:
    """Show every setting of a deployment, with its default."""
    from crossgrain.cli import listing  # noqa: PLC0415

    return listing.show_settings(markdown=markdown)


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8000,
    workers: Annotated[int, typer.Option(min=1, help="Number of processes.")] = 1,
) -> int:
    """Serve the FHIR operations over HTTP. crossgrain settings lists what can be set."""
    from crossgrain.cli import serving  # noqa: PLC0415

    return serving.serve(host, port, workers)


@app.command()
def doctor(
    host: Annotated[str, typer.Option(help="Address that serve would listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535)] = 8000,
) -> int:
    """Check a deployment before it serves: settings, data files, port, time zone, keys."""
    from crossgrain.cli import doctor as examining  # noqa: PLC0415

    return examining.examine(host, port)


@app.command()
def screen(  # noqa: PLR0913, PLR0917 - one parameter per option
    export: Annotated[Path, typer.Argument(help="A folder of NDJSON files, or a manifest file.")],
    out: Annotated[Path, typer.Option(help="The folder to write the worklist and the flags to.")],
    as_of: Annotated[
        str | None, typer.Option(help="Read the records as of this day. Default: today (UTC).")
    ] = None,
    basis: Annotated[
        list[str] | None,
        typer.Option(help="A chart to judge by. Repeatable. Default: all that set a checkpoint."),
    ] = None,
    since: Annotated[
        str | None, typer.Option(help="Leave out switches made before this day.")
    ] = None,
    base: Annotated[
        Path | None, typer.Option(help="The full export that an incremental one builds on.")
    ] = None,
    fhir: Annotated[
        FhirVersion | None, typer.Option(help="FHIR version. Default: as the export shows.")
    ] = None,
    deployment: Annotated[
        str, typer.Option(help="Your site's name; part of every flag's id.")
    ] = "local",
    worklist: Annotated[
        str, typer.Option(help="FHIR worklist entries to write: none, task or flag.")
    ] = "none",
    engine: Annotated[str, typer.Option(help="local, or spark for a cluster.")] = "local",
    jobs: Annotated[
        int | None,
        typer.Option(
            min=1, help="Number of processes. Default: one per 256 MiB of input, up to the cores."
        ),
    ] = None,
    memory: Annotated[int, typer.Option(min=64, help="Memory for grouping, in MiB.")] = 512,
    chart: Chart = None,
    show: Annotated[
        list[str] | None,
        typer.Option(
            help="Also show on the worklist: name, record-number, birth-date."
            " Repeatable. Default: the FHIR reference alone."
        ),
    ] = None,
    record_system: Annotated[
        str, typer.Option(help="Identifier system of the record number. Default: any of type MR.")
    ] = "",
    link: Annotated[
        str | None,
        typer.Option(help="Link to a patient's chart, e.g. https://ehr.example/chart/{id}."),
    ] = None,
    accept_less: Annotated[
        bool,
        typer.Option(
            "--accept-less", help="A smaller export than last night is right; close flags."
        ),
    ] = False,
    master: Annotated[
        str | None, typer.Option(help="Spark master, spark://host:7077. Default: this machine.")
    ] = None,
) -> int:
    """Find switches to too low or too high a dose, and plans that wait, in a bulk export.

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
    to: Annotated[str, typer.Option(help="Base URL of the FHIR server.")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Count what would be filed, and file nothing.")
    ] = False,
    client_id: Annotated[
        str | None, typer.Option(help="Client id, as registered with the server.")
    ] = None,
    key: Annotated[Path | None, typer.Option(help="The client's private key, a JWK file.")] = None,
    token_url: Annotated[
        str, typer.Option(help="Token endpoint. Default: as the server publishes it.")
    ] = "",
    scope: Annotated[
        str, typer.Option(help="Scopes to request.")
    ] = "system/DetectedIssue.cru system/Task.cru system/Flag.cru",
) -> int:
    """File the flags of a finished screening on a FHIR server."""
    from crossgrain.cli import sending  # noqa: PLC0415

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
