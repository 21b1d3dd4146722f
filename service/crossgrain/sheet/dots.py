"""The targets of every basis on one scale, as dots: how far the charts lie apart."""

from collections.abc import Callable, Sequence
from fractions import Fraction

from markupsafe import Markup

from crossgrain.dosing.plan import BasisRow, Plan
from crossgrain.dosing.targets import TargetDose
from crossgrain.sheet.drawing import Scale, element

WIDTH, HEIGHT = 220, 26
_CURRENCIES: tuple[tuple[str, Callable[[TargetDose], Fraction]], ...] = (
    ("grains of desiccated thyroid", lambda dose: dose.grains),
    ("µg LT4", lambda dose: dose.lt4_ug),
    ("µg LT3", lambda dose: dose.lt3_ug),
)


def currency(plan: Plan) -> tuple[str, Callable[[TargetDose], Fraction]]:
    """What the dots are measured in: the first medicine of the target."""
    return next((pair for pair in _CURRENCIES if pair[1](plan.aim)), _CURRENCIES[1])


def spread(plan: Plan) -> tuple[Fraction, Fraction]:
    """The smallest and the largest target of any basis, in the plan's currency."""
    values = _values(plan.comparison, currency(plan)[1])
    return min(values), max(values)


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
