"""Lines, tables and numbers in a terminal."""

from collections.abc import Iterable, Sequence
from fractions import Fraction

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from crossgrain.names.printing import decimal

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
