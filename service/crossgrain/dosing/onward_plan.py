"""The plan of a course that goes on: from doses by day to orders, forecasts, branches, reasons."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import Slot
from crossgrain.dosing.comparison import aim_on
from crossgrain.dosing.forecast import course
from crossgrain.dosing.ladder import checkpoint_dose, ladder_to
from crossgrain.dosing.midway import NONE, Midway
from crossgrain.dosing.moves import as_dose, ordered_amounts
from crossgrain.dosing.onward_rationale import explain_onward
from crossgrain.dosing.outlook import Timeline, forecast_for
from crossgrain.dosing.plan import Begins, LabDraw, Plan, PriorTherapy, Rung, Statement
from crossgrain.dosing.planner import Destination, Ways, plan_along
from crossgrain.dosing.tablets import makings
from crossgrain.dosing.wish import case_of


def goes_by(
    case: SwitchCase,
    slots: Sequence[Slot],
    old: Sequence[Mapping[str, Fraction]],
    lab_day: int,
    proved: tuple[int, ...] = (),
) -> Timeline:
    """Doses that are settled by day, as a timeline from today's pools."""
    last = slots[-1]
    followed = course(case.kinetics, case.begins(case.kinetics), case.periods(slots, old))
    return Timeline(
        tuple(slots),
        [dict(amounts) for amounts in old],
        None,
        lab_day,
        last.first_day + last.days,
        followed,
        proved,
    )


def planned_from(mid: Midway, own: Timeline, labs: tuple[LabDraw, ...], done: Statement) -> Plan:
    """The plan of a timeline and its draws; `done` says what the visit ends with."""
    case = replace(mid.case, going_on=frozenset(_supplied(mid, own)))
    chosen = mid.underway.wish.prior_therapy
    forecast = forecast_for(case, chosen, own, own.decision_day, with_band=True)
    other = next(mode for mode in PriorTherapy if mode is not chosen)
    ways = Ways(own, (forecast, replace(forecast, prior_therapy=other, band=None)), None)
    plan = plan_along(case, mid.underway.wish, mid.rows, _destination(mid, own), ways, labs)
    reasons = explain_onward(case, plan, mid.underway.today, mid.place, done)
    return replace(plan, rationale=reasons, begins=Begins(mid.underway.original, case.taken))


def _supplied(mid: Midway, own: Timeline) -> Iterator[str]:
    """The medicines whose supply lasts for as long as today's dose stays.

    That is what was taken before day one and never changed, what the plan ordered, and what no
    tablets on the list make, so that the prescriber must have ordered it in another way.
    """
    case, place = mid.case, mid.place
    before = ordered_amounts(mid.underway.original, case.products)
    for key, (preparation, amount) in case.old.items():
        own_supply = before.get(key) == amount and all(
            spell.amounts.get(key, amount) == amount for spell in place.past
        )
        lasts = 0
        for slot, old in zip(own.slots, own.old, strict=True):
            if {**slot.amounts, **old}.get(key) != amount:
                break
            lasts += slot.days
        table = makings(preparation)
        every = table.mask(preparation.strengths)
        made = table.way(amount, every, case.largest_half[key])
        if own_supply or not made or place.supply_left(key) >= lasts:
            yield key


def _destination(mid: Midway, own: Timeline) -> Destination:
    """The aim as on day one; of the checkpoint what is left where less is held."""
    case, underway = mid.case, mid.underway
    held = {key: own.slots[-1].amounts.get(key, NONE) for key in case.target_ids}
    waits = {
        key: min(amount, mid.checkpoint[key])
        if key in mid.checkpoint and (underway.climbing or key != case.target_ids[0])
        else amount
        for key, amount in held.items()
    }
    dose = as_dose(waits, case.products)
    aim = aim_on(mid.underway.wish.basis_id, mid.rows)
    if underway.checkpoint is None or mid.underway.wish.another_product:
        ladder = tuple(Rung(enabled.basis, aim, dose) for enabled in case.enabled)
        return Destination(aim, dose, mid.underway.wish.basis_id, ladder)
    first = case_of(underway.original, replace(mid.underway.wish, stock=()), mid.tables, mid.rows)
    ladder = ladder_to(first, mid.rows, aim, mid.underway.wish.mixture.asked_ratio)
    generous = mid.underway.wish.lt4_at_least_most_generous
    _, set_by = checkpoint_dose(first, ladder, at_least_most_generous=generous)
    ahead = underway.checkpoint if underway.climbing else None
    return Destination(aim.times(first.lowers), dose, set_by, ladder, ahead)
