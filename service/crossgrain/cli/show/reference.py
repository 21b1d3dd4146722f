"""``crossgrain settings``, ``options``, ``errors`` and ``numbers``.

What a deployment, a call and a clinic may say, and how a call may fail: each from the definitions
that are used.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from textwrap import fill

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from crossgrain.catalogue import Catalogue
from crossgrain.names.numbers import Number
from crossgrain.names.printing import decimal
from crossgrain.operations.faults import TABLE
from crossgrain.operations.options import (
    Option,
    comparison_options,
    next_step_options,
    page_options,
    switch_options,
)
from crossgrain.operations.screen_switches import screening_options

_SHADES = {"stop": "bold white on red", "hold": "bold black on yellow", "note": "bold cyan"}


class Page:
    """Writes to a terminal, or to plain text where there is none."""

    def __init__(self, console: Console | None = None) -> None:
        # Markup is off: what comes from a record is never read as styling.
        self.console = console or Console(highlight=False, markup=False)

    @property
    def width(self) -> int:
        """Columns that there are to write in."""
        return self.console.width

    def heading(self, text: str) -> None:
        """A heading with an empty line before it."""
        self.console.print()
        self.console.print(Text(text, style="bold underline"))

    def line(self, text: str, indent: int = 2, style: str = "") -> None:
        """A paragraph."""
        self.console.print(Padding(Text(text, style=style), (0, 0, 0, indent)))

    def label(self, severity: str, text: str) -> None:
        """A paragraph that begins with its severity."""
        line = Text.assemble((f" {severity} ", _SHADES[severity]), " ", text)
        self.console.print(Padding(line, (0, 0, 0, 2)))

    def table(self, headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
        """A table with a rule under its headings."""
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for heading in headings:
            table.add_column(heading, overflow="fold")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        self.console.print(Padding(table, (0, 0, 0, 2)))

    def drawing(self, text: str) -> None:
        """A drawing that brings its own colours."""
        self.console.print(Padding(Text.from_ansi(text), (0, 0, 0, 2)))


def markdown_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """The same table for a document."""
    lines = [headings, ["---"] * len(headings), *rows]
    return "\n".join(f"| {' | '.join(cell.replace('|', '/') for cell in line)} |" for line in lines)


_GLYPHS = {Fraction(1, 4): "¼", Fraction(1, 2): "½", Fraction(3, 4): "¾"}


def count(value: Fraction) -> str:
    """A number of tablets or grains on the quarter grid, with its glyph.

    >>> count(Fraction(5, 2)), count(Fraction(1, 4)), count(Fraction(3))
    ('2½', '¼', '3')
    """
    whole, rest = divmod(value, 1)
    if rest and rest not in _GLYPHS:
        return decimal(value)
    return f"{whole or ''}{_GLYPHS.get(rest, '')}" or "0"


Row = tuple[str, ...]

SETTINGS = (
    "Settings",
    "What a deployment may set: by environment variables or, for secrets, by files of"
    " `CROSSGRAIN_SECRETS_DIR`. Settings are checked at start, where a fault is named and ends it,"
    " and then logged, secrets only as set.",
)
OPTIONS = (
    "Options",
    "What a call may say beside the record: as a parameter of `Parameters` or in the query, and,"
    " for `$propose-switch`, as an option of `crossgrain propose`, always by the same name, but for"
    " `validate`, `response`, `requester`, `recorded` and `sheet-form`, and for `sheet`, which"
    " names a file there. An unknown option is refused, and so is one given twice that takes"
    " one value. `/sheet` takes the options of `$propose-switch`, `/sheet/next-step` those of"
    " `$next-step`, and both the two that stand under `/sheet`.",
)
NUMBERS = (
    "Numbers",
    "The numbers that clinical judgements turn on. Each stands once, under one key, and reaches"
    " every door alike. A clinic may set what is our judgement, and within a range what a source"
    ' gives as one, in its own file: `[numbers.ratio]` and `under = "0.85"`, values as strings.'
    " What a label or a guideline has set cannot be changed. The doors: plans (`$propose-switch`,"
    " `$apply`, the sheet, and the series that order entry offers), orders (the verdict on a draft"
    " order), patient-view (with `$screen-switches`), night (`crossgrain screen`).",
)
ERRORS = (
    "Errors",
    "How a call may fail. Every error is an OperationOutcome; the first of its issues gives the"
    " status over HTTP, and `crossgrain propose` then exits with 1. `diagnostics` says what is"
    " wrong in closer words than these, and `expression` where. Questions about a record and"
    " safety stops are no errors: they are answered with 200.",
)
_NUMBER_HEADINGS = ("number", "value", "unit", "decides", "reaches", "a clinic may set", "source")
_SETTING_HEADINGS = ("variable", "sets", "default")
_OPTION_HEADINGS = ("option", "type", "says")
_ERROR_HEADINGS = ("status", "issue code", "means")


def show_settings(page: Page | None = None) -> None:
    """Print every setting with its meaning and its default."""
    (page or Page()).table(_SETTING_HEADINGS, _settings())


def show_options(catalogue: Catalogue, page: Page | None = None) -> None:
    """Print every option of every operation."""
    page = page or Page()
    for operation, options in _options(catalogue):
        page.heading(operation)
        page.table(_OPTION_HEADINGS, map(_option, options))


def show_errors(page: Page | None = None) -> None:
    """Print every error: its status, its issue code and what it means."""
    (page or Page()).table(_ERROR_HEADINGS, _errors())


def show_numbers(catalogue: Catalogue, page: Page | None = None) -> None:
    """Print every clinical number: its value, what it decides and reaches, and on whose word."""
    page = page or Page()
    for number in catalogue.numbers.values():
        row = dict(zip(_NUMBER_HEADINGS, _number(number, catalogue), strict=True))
        page.heading(f"{row['number']} = {row['value']} {row['unit']}")
        page.line(f"{row['decides']}; reaches {row['reaches']}")
        page.line(f"A clinic may set it: {row['a clinic may set']}. Source: {row['source']}")


def settings_note() -> str:
    """``service/docs/settings.md``."""
    return _note(SETTINGS, "settings", [markdown_table(_SETTING_HEADINGS, _coded(_settings()))])


def errors_note() -> str:
    """``service/docs/errors.md``."""
    return _note(ERRORS, "errors", [markdown_table(_ERROR_HEADINGS, _coded(_errors()))])


def options_note(catalogue: Catalogue) -> str:
    """``service/docs/options.md``."""
    parts = (
        f"## `{operation}`\n\n{markdown_table(_OPTION_HEADINGS, _coded(map(_option, options)))}"
        for operation, options in _options(catalogue)
    )
    return _note(OPTIONS, "options", parts)


def numbers_note(catalogue: Catalogue) -> str:
    """``service/docs/numbers.md``."""
    rows = (_number(number, catalogue) for number in catalogue.numbers.values())
    return _note(NUMBERS, "numbers", [markdown_table(_NUMBER_HEADINGS, _coded(rows))])


def _number(number: Number, catalogue: Catalogue) -> Row:
    within = " to ".join(decimal(end) for end in number.within or ()) or "yes"
    return (
        number.key,
        decimal(number.value),
        number.unit,
        number.says,
        ", ".join(catalogue.reaches[number.key]),
        within if number.may_be_set else "no",
        number.source,
    )


def _settings() -> Iterator[Row]:
    from crossgrain.http.settings import Settings  # noqa: PLC0415 - of all commands, for this one

    for name, field in Settings.model_fields.items():
        default = field.get_default(call_default_factory=True)
        yield f"CROSSGRAIN_{name.upper()}", field.description or "", _said(default)


def _errors() -> Iterator[Row]:
    """By status; faults of several rooms that mean the same are one."""
    rows = dict.fromkeys(row for rows in TABLE.values() for row in rows.values())
    for row in sorted(rows, key=lambda row: row.status):
        yield str(row.status), row.code, row.words


def _said(default: object) -> str:
    if default in (None, (), {}):
        return "none"
    if isinstance(default, bool):
        return str(default).lower()
    return f"{default:g}" if isinstance(default, float) else str(default)


def _options(catalogue: Catalogue) -> Iterator[tuple[str, Sequence[Option]]]:
    for_a_switch = switch_options(catalogue)
    yield "$propose-switch", for_a_switch
    yield "$next-step", next_step_options(for_a_switch)
    yield "$compare-bases", comparison_options(catalogue)
    yield "$screen-switches", screening_options(for_a_switch)
    yield "/sheet", page_options(())


def _option(option: Option) -> Row:
    codes = f" One of: {', '.join(option.codes)}." if option.codes else ""
    place = "" if option.in_query else " Never in a URL."
    kind = option.value_key.removeprefix("value")
    return option.name, kind[0].lower() + kind[1:], option.meaning + codes + place


def _note(head: tuple[str, str], command: str, parts: Iterable[str]) -> str:
    title, words = head
    made = f"Printed by `crossgrain {command} --markdown`: edit the definitions, not this file."
    return "\n\n".join((f"# {title}", made, fill(words, 98), *parts)) + "\n"


def _coded(rows: Iterable[Row]) -> Iterator[Row]:
    return ((f"`{first}`", *rest) for first, *rest in rows)
