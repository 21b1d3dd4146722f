"""How far the patient runs below or above the old regimen: both ways, and a small plot."""

from datetime import date

from crossgrain.catalogue import Catalogue
from crossgrain.cli.show.numbers import percent
from crossgrain.cli.show.page import Page
from crossgrain.dosing.plan import Forecast, Plan
from crossgrain.dosing.regimens import Regimen

_MOST_COLUMNS, _ROWS = 76, 14


def show_prior_therapies(
    page: Page, plan: Plan, regimen: Regimen, catalogue: Catalogue, start: date
) -> None:
    """Tapering and stopping side by side, then the plan's own course."""
    page.heading("What happens to the hormone meanwhile (modelled, old regimen = 100 %)")
    page.table(
        ("old medicine", "lowest", "on basis", "day", "T4 pool", "T3 lowest", "T3 highest", ""),
        (_row(forecast, plan) for forecast in plan.forecasts),
    )


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
