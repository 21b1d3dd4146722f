"""The chart's numbers as words, as a table, and as what the page reads out on hover or focus."""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from math import ceil
from typing import Any

from markupsafe import Markup

from crossgrain.dosing.plan import BasisRow, Forecast, Plan, PriorTherapy
from crossgrain.dosing.targets import TargetDose
from crossgrain.names.printing import amount, grains, percent, whole_percent
from crossgrain.names.values import frozen
from crossgrain.sheet.chart import Scale, element
from crossgrain.sheet.charted import Banded, Charted, Values
from crossgrain.words.doses import DateWords
from crossgrain.writing.letterhead import Letterhead

WIDTH, HEIGHT = 220, 26
WAYS = {
    PriorTherapy.STOP: "stopped on day one",
    PriorTherapy.OVERLAP: "tapered",
}
"""What becomes of the old medicine."""
_CURRENCIES: tuple[tuple[str, Callable[[TargetDose], Fraction]], ...] = (
    ("grains of desiccated thyroid", lambda dose: dose.grains),
    ("micrograms of LT4", lambda dose: dose.lt4_ug),
    ("micrograms of LT3", lambda dose: dose.lt3_ug),
)


def currency(plan: Plan) -> tuple[str, Callable[[TargetDose], Fraction]]:
    """What the dots are measured in: the first medicine of the target."""
    return next((pair for pair in _CURRENCIES if pair[1](plan.aim)), _CURRENCIES[1])


def spread(plan: Plan) -> tuple[Fraction, Fraction]:
    """The smallest and the largest target of any basis, in the plan's currency."""
    values = _values(plan.comparison, currency(plan)[1])
    return min(values), max(values)


def spread_words(plan: Plan) -> tuple[str, str]:
    """The same, printed."""
    printed = grains if currency(plan) is _CURRENCIES[0] else amount
    low, high = spread(plan)
    return printed(low), printed(high)


def dots(plan: Plan) -> dict[str, Markup]:
    """One small drawing per basis, all on the same scale, by basis id."""
    measure = currency(plan)[1]
    values = _values(plan.comparison, measure)
    across = Scale(0, float(max(values)), 8, WIDTH - 10)
    between = (across.at(float(min(values))), across.at(float(max(values))))
    waits = across.at(float(measure(plan.checkpoint.dose)))
    return {
        row.basis_id: _row(row, plan, across.at(float(measure(row.target))), between, waits)
        for row in plan.comparison
        if row.target
    }


def _values(rows: Sequence[BasisRow], measure: Callable[[TargetDose], Fraction]) -> list[Fraction]:
    return [measure(row.target) for row in rows if row.target] or [Fraction(1)]


def _row(row: BasisRow, plan: Plan, x: float, between: tuple[float, float], waits: float) -> Markup:
    middle = HEIGHT / 2
    kind = "aim" if row.basis_id == plan.basis_id else "dot"
    if not row.sets_checkpoint:
        kind = "compared"
    return element(
        "svg",
        Markup("").join(
            (
                element("line", class_="axis", x1=8, x2=WIDTH - 10, y1=middle, y2=middle),
                element(
                    "line", class_="spread", x1=between[0], x2=between[1], y1=middle, y2=middle
                ),
                element("line", class_="waits", x1=waits, x2=waits, y1=0, y2=HEIGHT),
                element("circle", class_=kind, cx=x, cy=middle, r=7 if kind == "aim" else 5),
            )
        ),
        class_="dots",
        viewBox=f"0 0 {WIDTH} {HEIGHT}",
        aria_hidden="true",
    )


_MOST_ROWS = 26


@frozen
class ForecastRow:
    """One prior therapy's extremes, in the numbers of the answer."""

    prior_therapy: PriorTherapy
    lowest: str
    lowest_on: str
    basis: str
    band: str
    t3_lowest: str
    t3_highest: str
    t4_lowest: str


def forecasts(letter: Letterhead, plan: Plan) -> list[ForecastRow]:
    """The chosen prior therapy, then the other where there is one."""
    return [_forecast(letter, forecast) for forecast in plan.ways]


def _forecast(letter: Letterhead, forecast: Forecast) -> ForecastRow:
    lowest, pool, band = forecast.lowest, forecast.t4_pool, forecast.band
    return ForecastRow(
        prior_therapy=forecast.prior_therapy,
        lowest=percent(lowest.lowest.value),
        lowest_on=letter.words(int(lowest.lowest.day)),
        basis=lowest.basis_id,
        band=_range(*band.lowest_coverage) if band else "",
        t3_lowest=percent(forecast.t3_exposure[0].value),
        t3_highest=percent(forecast.t3_exposure[1].value),
        t4_lowest=percent(pool[0].value) if pool else "none before",
    )


def _range(low: float, high: float) -> str:
    return f"{whole_percent(low)} to {percent(high)}"


def describe(rows: Iterable[ForecastRow]) -> str:
    """What the drawing shows, for who does not see it."""
    said = (
        f"With the old medicine {WAYS[row.prior_therapy]}, coverage is lowest at {row.lowest} on"
        f" {row.lowest_on} on the basis {row.basis}; T3 exposure goes from"
        f" {row.t3_lowest} to {row.t3_highest}."
        for row in rows
    )
    return " ".join((*said, "A table below gives the values."))


def data_rows(chart: Charted, dated: DateWords) -> Iterator[tuple[str, ...]]:
    """The drawing as a table, one row a week; every second or fourth in a long plan."""
    weeks = ceil(chart.own.days / 7)
    between = next(step for step in (1, 2, 4, 8, 16) if weeks / step <= _MOST_ROWS)
    days = list(range(0, chart.own.days - 1, between * 7))
    for day in (*days, chart.own.days - 1):
        yield (
            dated(chart.day(day)),
            *_cells(chart.own.coverage, day),
            percent(chart.own.most_generous[day]),
            *_cells(chart.own.t3, day),
            *(
                (percent(chart.other.coverage.value[day]), percent(chart.other.t3.value[day]))
                if chart.other
                else ()
            ),
        )


def _cells(banded: Banded, day: int) -> tuple[str, str]:
    return percent(banded.value[day]), _range(banded.low[day], banded.high[day])


def hover_data(chart: Charted, dated: DateWords) -> Markup:
    """Each day and its whole percents, for the page's script; numbers and our own words alone."""
    lines: list[dict[str, Any]] = [
        {"name": "Coverage", **_banded_percents(chart.own.coverage)},
        {"name": "T3 exposure", **_banded_percents(chart.own.t3)},
    ]
    if chart.other:
        lines[0]["other"] = _percents(chart.other.coverage.value)
        lines[1]["other"] = _percents(chart.other.t3.value)
    days = [dated(chart.day(day)) for day in range(chart.own.days)]
    data = {"days": days, "lines": lines, "modes": [WAYS[way] for way in chart.traces]}
    return Markup(json.dumps(data, separators=(",", ":")))


def _banded_percents(banded: Banded) -> dict[str, list[int]]:
    return {
        "value": _percents(banded.value),
        "low": _percents(banded.low),
        "high": _percents(banded.high),
    }


def _percents(values: Values) -> list[int]:
    return [round(value * 100) for value in values]
