"""The published comparisons as one figure: a dot with its interval for each, a line for each basis.

What is drawn is what one microgram of LT3, or one grain, was worth in LT4.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction

from markupsafe import Markup

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.bases import Weights
from crossgrain.dosing.evidence import (
    ComparisonKind,
    Worth,
    WorthUnit,
    findings,
)
from crossgrain.dosing.wording import worth_words
from crossgrain.names.values import frozen
from crossgrain.sheet.chart import Scale, element

WIDTH, LEFT, RIGHT, FONT, ROW = 640, 216, 16, 14, 21
_HEADS = {
    WorthUnit.LT3: "µg LT4 that 1 µg of LT3 was worth",
    WorthUnit.GRAIN: "µg LT4 that 1 grain of 60 mg was worth",
}


@frozen
class ComparisonRow:
    """One comparison in the figure's table."""

    name: str
    people: int
    worth: str
    grade: str


def table_rows(catalogue: Catalogue) -> Iterator[ComparisonRow]:
    """The figure as a table."""
    for one in findings(catalogue.evidence):
        yield ComparisonRow(
            name=one.comparison.id,
            people=one.comparison.n,
            worth=worth_words(one),
            grade=one.comparison.grade,
        )


def drawing(catalogue: Catalogue, chosen: str) -> Markup:
    """Both panels, LT3 above the grain; the basis aimed at is drawn stronger."""
    found = findings(catalogue.evidence)
    charts = [(basis.id, basis.weights) for basis in catalogue.bases if basis.weights]
    top, parts = 0.0, list[Markup]()
    for currency in WorthUnit:
        rows = [one for one in found if one.currency is currency]
        lines = sorted((_worth(weights, currency), basis_id) for basis_id, weights in charts)
        panel = _Panel(_HEADS[currency], rows, lines, chosen, top)
        parts += panel.drawn()
        top = panel.axis + FONT * 3.5
    return element(
        "svg",
        Markup("").join(
            [
                element("title", "The bases against the published trials", id="trials-title"),
                element("desc", _describe(found), id="trials-words"),
                *parts,
            ]
        ),
        class_="chart trials",
        viewBox=f"0 0 {WIDTH} {top - FONT * 2:.0f}",
        role="img",
        aria_labelledby="trials-title trials-words",
    )


def _worth(weights: Weights, currency: WorthUnit) -> float:
    """Where a basis' line stands."""
    of_lt3 = currency is WorthUnit.LT3
    return float(weights.lt4_ug_per_lt3_ug if of_lt3 else weights.lt4_ug_per_grain)


def _describe(found: Sequence[Worth]) -> str:
    return (
        f"{len(found)} trials, each with the worth that it gives, and a line for each basis. The"
        " table below gives the values."
    )


class _Panel:
    """One currency: its heading, the bases' names as a staircase, its rows and its axis.

    Parameters
    ----------
    head : what the axis counts
    rows : the comparisons, from above
    lines : where each basis stands on the axis, from the left
    chosen : the basis aimed at
    top : where the panel begins
    """

    def __init__(
        self,
        head: str,
        rows: Sequence[Worth],
        lines: Sequence[tuple[float, str]],
        chosen: str,
        top: float,
    ) -> None:
        self._head, self._rows, self._lines, self._chosen = head, rows, lines, chosen
        self._top = top
        ends = [float(end) for one in rows for end in (one.high, one.value) if end is not None]
        most = max(*ends, *(worth for worth, _ in lines))
        self._step = 1 if most < 15 else 20
        self._high = (int(most / self._step) + 1) * self._step
        self._across = Scale(0, self._high, LEFT, WIDTH - RIGHT)
        self._first = top + FONT * (1.9 + 1.15 * len(lines)) + ROW * 0.6
        self.axis = self._first + (len(rows) - 0.3) * ROW
        """How far down the axis lies."""

    def drawn(self) -> Iterator[Markup]:
        """All of it, the lines first so that the dots lie upon them.

        What is alike is one path: the page is to stay small.
        """
        yield element("text", self._head, class_="panel", x=0, y=round(self._top + FONT))
        yield from self._bases()
        yield element("path", class_="interval", d="".join(self._intervals()))
        for y, one in self._placed():
            name = f"{one.comparison.id} ({one.comparison.n})"
            yield element("text", name, x=0, y=y + 5)
            yield from self._dot(one, y)
        yield from self._numbers()

    def _placed(self) -> Iterator[tuple[int, Worth]]:
        for number, one in enumerate(self._rows):
            yield round(self._first + number * ROW), one

    def _bases(self) -> Iterator[Markup]:
        # From the right downwards: a name stands where no line to its left has begun.
        lines = {"basis": "", "basis aim": ""}
        for tread, (worth, basis_id) in enumerate(reversed(self._lines)):
            kind = "basis aim" if basis_id == self._chosen else "basis"
            x, y = self._at(worth), round(self._top + FONT * (2.4 + 1.15 * tread))
            lines[kind] += f"M{x} {y - 10}V{self.axis:.0f}"
            yield element("text", basis_id, class_=f"{kind} end", x=x - 4, y=y)
        for kind, path in lines.items():
            yield element("path", class_=kind, d=path)

    def _intervals(self) -> Iterator[str]:
        for y, one in self._placed():
            if one.low is not None and one.high is not None:
                yield f"M{self._at(one.low)} {y}H{self._at(one.high)}"

    def _dot(self, one: Worth, y: int) -> Iterator[Markup]:
        x = self._at(one.value)
        if one.low is None or one.high is None:
            toward = LEFT if one.at_most else WIDTH - RIGHT
            yield element("path", class_="bound", d=f"M{x} {y - 6}v12m0 -6H{toward}")
        else:
            sought = one.comparison.kind is ComparisonKind.TITRATED
            yield element("circle", cx=x, cy=y, r=5, **({"class_": "sought"} if sought else {}))

    def _at(self, worth: Fraction | float) -> int:
        return round(self._across.at(float(worth)))

    def _numbers(self) -> Iterator[Markup]:
        y = round(self.axis)
        yield element("path", class_="full", d=f"M{LEFT} {y}H{WIDTH - RIGHT}")
        for value in range(0, self._high + 1, self._step):
            yield element("text", str(value), class_="middle", x=self._at(value), y=y + 17)
