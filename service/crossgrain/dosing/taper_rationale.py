"""Why the old medicine tapers as it does, and what the simpler taper costs."""

from collections.abc import Iterator

from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.plan import (
    Plan,
    PriorTherapy,
    Statement,
)
from crossgrain.dosing.steps import SwitchPart
from crossgrain.dosing.taper import Choice, Taper
from crossgrain.names.printing import (
    decimal,
    fine_percent,
    percent,
)


def prior_therapy(plan: Plan) -> Statement:
    """Whether the old medicine tapers or ends, and how low the patient runs either way."""
    own, other = plan.forecasts
    if own.prior_therapy is PriorTherapy.OVERLAP:
        why = (
            "the simplest taper among those nearly as good as the best: fewest strengths to buy,"
            " fewest changes of dose, fewest days with a broken tablet, and only then the smallest"
            " worst deviation of ln coverage over the enabled bases"
        )
    else:
        why = "the old medicine ends, or takes its new dose, on day 0, as asked"
    return Statement(
        f"Prior therapy: {own.prior_therapy}. Lowest coverage {percent(own.lowest.lowest.value)};"
        f" with {other.prior_therapy} it would be {percent(other.lowest.lowest.value)}",
        why,
        (),
        "two-pool model; the charts disagree, so the taper hedges over all of them",
    )


def simplicity(case: SwitchCase, plan: Plan) -> Iterator[Statement]:
    """What the simpler taper costs against the best that was found."""
    price = what_simplicity_costs(plan)
    if plan.taper is None or not price:
        return
    chosen, best = plan.taper
    policy, leaning = case.policy.taper, case.leaning
    weighed = "".join(
        f"; coverage {side} 1 weighs {decimal(weight)} times, for this patient's risk"
        for side, weight in (("above", leaning.above), ("below", leaning.below))
        if weight != 1
    )
    of_need = (
        "" if case.need == 1 else f" of what is needed, {decimal(case.need)} times the old dose,"
    )
    yield Statement(
        price,
        f"chosen: coverage{of_need} {fine_percent(chosen.lowest)} to"
        f" {fine_percent(chosen.highest)}, {_asks(chosen, weekly=plan.weekly)}; best found:"
        f" {fine_percent(best.lowest)} to {fine_percent(best.highest)},"
        f" {_asks(best, weekly=plan.weekly)}; up to {decimal(policy.tolerance)} in ln coverage is"
        f" given for a simpler taper, {decimal(policy.saving_a_strength)} where that saves a"
        f" strength; none goes below {fine_percent(policy.guard)} while another does not{weighed}",
        (),
        policy.source,
    )


def what_simplicity_costs(plan: Plan) -> str:
    """The same in one line; empty where no old medicine tapers."""
    if plan.taper is None or not any(part is SwitchPart.OLD for part in _parts(plan)):
        return ""
    return price_of_simplicity(plan.taper, weekly=plan.weekly)


def _parts(plan: Plan) -> set[SwitchPart]:
    return {line.part for step in plan.steps for line in step.lines}


def price_of_simplicity(taper: Choice, *, weekly: bool = False) -> str:
    """What the best taper found would hold instead, and what it would ask for, in words."""
    chosen, best = taper
    gains = _gains(chosen, best)
    if not gains:
        return "No taper that was found holds more than this one"
    asks = [
        (best.bought - chosen.bought, "strength"),
        (best.changes - chosen.changes, "change of dose"),
    ]
    more = " and ".join(_more(number_of, what) for number_of, what in asks if number_of > 0)
    if not more:
        broken = "days of the week that differ" if weekly else "broken tablets"
        more = broken if chosen.is_whole and not best.is_whole else "another taper"
    return f"{more[:1].upper()}{more[1:]} would {gains}"


def _gains(chosen: Taper, best: Taper) -> str:
    """By how much the best is better, as far as a percentage shows it; empty where it does not."""
    lowest, highest = fine_percent(chosen.lowest), fine_percent(chosen.highest)
    holds, stays_below = fine_percent(best.lowest), fine_percent(best.highest)
    if best.lowest > chosen.lowest and holds != lowest:
        return f"hold {holds} instead of {lowest}"
    if best.highest < chosen.highest and stays_below != highest:
        return f"stay below {stays_below} instead of {highest}"
    return ""


def _more(many: int, what: str) -> str:
    words = {1: "one", 2: "two", 3: "three"}
    plural = what.replace("change", "changes") if "change" in what else f"{what.rstrip('h')}hs"
    return f"{words.get(many, str(many))} more {what if many == 1 else plural}"


def _asks(taper: Taper, *, weekly: bool) -> str:
    otherwise = "days of the week that differ" if weekly else "broken tablets"
    halves = "whole tablets every day" if taper.is_whole and weekly else "whole tablets"
    halves = halves if taper.is_whole else otherwise
    return f"strengths to buy {taper.bought}, changes {taper.changes}, {halves}"
