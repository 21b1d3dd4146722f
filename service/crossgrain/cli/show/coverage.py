"""How far the patient runs below or above the old regimen: both ways, and a small plot."""

from crossgrain.catalogue import Catalogue
from crossgrain.cli.show.page import Page
from crossgrain.cli.show.plot import draw
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import Forecast, Plan
from crossgrain.sheet.charted import Charted, charted
from crossgrain.writing.labels import percent

_MOST_COLUMNS = 90


def show_prior_therapies(page: Page, proposal: Proposal, plan: Plan, catalogue: Catalogue) -> None:
    """Tapering and stopping side by side, then the plan's own course."""
    page.heading("What happens to the hormone meanwhile (modelled, old regimen = 100 %)")
    page.table(
        ("old one", "lowest", "on basis", "day", "T4 pool", "T3 from", "T3 to", ""),
        (_row(forecast, plan) for forecast in plan.forecasts),
    )
    columns = min(page.width - 4, _MOST_COLUMNS)
    page.drawing(draw(_lines(charted(proposal, plan, catalogue)), proposal.request.start, columns))
    page.line(
        "The series as proposed, to the end of the wait for labs. No hormone from a residual"
        " gland is assumed.",
        style="dim",
    )


def _lines(chart: Charted) -> dict[str, tuple[float, ...]]:
    """Coverage on the two bases that lie furthest apart, and T3, at the beginning of each day."""
    own = chart.own
    coverage = {chart.leanest: own.coverage.value, chart.most_generous: own.most_generous}
    lines = {f"coverage on {basis_id}": values[:-1] for basis_id, values in coverage.items()}
    return lines | {"whole T3": own.t3.value[:-1]}


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
