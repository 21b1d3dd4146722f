"""How far the patient runs below or above the old regimen: both ways, and a small plot."""

from datetime import date

from crossgrain.catalogue import Catalogue
from crossgrain.cli.show.numbers import percent
from crossgrain.cli.show.page import Page
from crossgrain.cli.show.plot import draw
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.forecast import Period, course, coverage_weights, daily
from crossgrain.dosing.kinetics import Intake, intake_of, steady
from crossgrain.dosing.moves import total_intake
from crossgrain.dosing.plan import Forecast, Plan, Step
from crossgrain.dosing.regimens import Regimen

_MOST_COLUMNS = 90


def show_prior_therapies(
    page: Page, plan: Plan, regimen: Regimen, catalogue: Catalogue, start: date
) -> None:
    """Tapering and stopping side by side, then the plan's own course."""
    page.heading("What happens to the hormone meanwhile (modelled, old regimen = 100 %)")
    page.table(
        ("old one", "lowest", "on basis", "day", "T4 pool", "T3 from", "T3 to", ""),
        (_row(forecast, plan) for forecast in plan.forecasts),
    )
    columns = min(page.width - 4, _MOST_COLUMNS)
    page.drawing(draw(_lines(plan, regimen, catalogue), start, columns))
    page.line(
        "The series as proposed, to the end of the wait for labs. No hormone from a residual"
        " gland is assumed.",
        style="dim",
    )


def _lines(plan: Plan, regimen: Regimen, catalogue: Catalogue) -> dict[str, list[float]]:
    """Coverage on the two bases that lie furthest apart, and T3, day by day."""
    by_lowest = sorted(plan.forecasts[0].coverage, key=lambda coverage: coverage.lowest.value)
    shown = list(dict.fromkeys((by_lowest[0].basis_id, by_lowest[-1].basis_id)))
    old = intake_of(regimen)
    followed = course(
        catalogue.kinetics.default,
        steady(old),
        (Period(step.days, _intake(step)) for step in plan.steps),
    )
    weights = [_weights(catalogue.basis(basis_id), regimen, old) for basis_id in shown]
    days = list(daily(followed, old, weights, plan.steps[-1].last_day))
    lines = {
        f"coverage on {basis_id}": [covered[index] for _, covered, _ in days]
        for index, basis_id in enumerate(shown)
    }
    return lines | {"whole T3": [t3 for _, _, t3 in days]}


def _weights(basis: Basis, regimen: Regimen, old: Intake) -> Intake:
    return coverage_weights(basis.weights_at(basis.lt4_equivalent(regimen)), old)


def _intake(step: Step) -> Intake:
    return total_intake((line.preparation, line.amount) for line in step.lines)


def _row(forecast: Forecast, plan: Plan) -> tuple[str, ...]:
    low = forecast.lowest
    pool = forecast.t4_pool
    least, most = forecast.t3_exposure
    return (
        forecast.prior_therapy,
        percent(low.lowest.value),
        low.basis_id,
        f"{low.lowest.day:.0f}",
        percent(pool[0].value) if pool else f"ends at {forecast.t4_pool_end_ug:.0f} µg",
        percent(least.value),
        percent(most.value),
        "chosen" if forecast.prior_therapy is plan.prior_therapy else "not chosen",
    )
