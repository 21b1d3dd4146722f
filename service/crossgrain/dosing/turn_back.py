"""The way back: to what was taken before day one, or, where T3 must end, to its worth in LT4.

LT4 is taken at once. T3 that was not taken before falls while LT4 builds up, by the same search as
the first taper, and none of it ends before LT4 has built up; T3 that must rise again does so by
increments.
"""

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import Slot, new_schedule, reachable
from crossgrain.dosing.comparison import aim_on, compare
from crossgrain.dosing.draws import DRAW, series_draws
from crossgrain.dosing.forecast import steady_day
from crossgrain.dosing.ladder import checkpoint_dose, ladder_to
from crossgrain.dosing.midway import NONE, Midway, midway
from crossgrain.dosing.moves import Move, amounts_of, as_dose, medicines
from crossgrain.dosing.next_doses import nearest_made
from crossgrain.dosing.outlook import Timeline, settled, taper_beside
from crossgrain.dosing.plan import LabDraw, PriorTherapy
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.prior import stopped
from crossgrain.dosing.taper import Choice
from crossgrain.dosing.targets import TARGET_OF, Target, TargetDose, dose_of

Beside = tuple[Sequence[Slot], list[dict[str, Fraction]], Choice | None]
"""The rising medicines by day, the falling ones beside them, and how their taper was chosen."""


def target_before(mid: Midway) -> Target | None:
    """What to turn back to; ``None`` where it is no regimen that a plan orders."""
    if mid.underway.wish.lt4_at_least_most_generous:
        return Target.LEVOTHYROXINE
    return TARGET_OF.get(mid.underway.original.kinds)


def towards(mid: Midway, target: Target) -> Midway:
    """The same course with that target, in the product that was taken before day one."""
    underway, tables = mid.underway, mid.tables
    generous = underway.wish.lt4_at_least_most_generous
    wish = replace(
        underway.wish,
        target=target,
        prior_therapy=PriorTherapy.OVERLAP,
        another_product=False,
        weekly_pattern=underway.wish.weekly_pattern and not generous,
    )
    for line in underway.original:
        if line.preparation.kind is Kind.DESICCATED_THYROID:
            products = replace(tables.products, desiccated_thyroid=line.preparation)
            tables = replace(tables, products=products)
    back = midway(replace(underway, wish=wish, checkpoint=None, beside=frozenset()), tables)
    rows = back.rows
    if generous:
        rows = compare(underway.original, tables.bases, target, wish.mixture)
    case = replace(back.case, until_lt4_has_built_up=True)
    return replace(back, case=case, place=mid.place, rows=rows)


def dose_back(back: Midway) -> TargetDose:
    """The dose turned back to, as tablets make it; LT4 in pregnancy no less than is taken."""
    case, wish = back.case, back.underway.wish
    if wish.lt4_at_least_most_generous:
        aim = aim_on(wish.basis_id, back.rows)
        ladder = ladder_to(case, back.rows, aim, wish.mixture.ratio)
        dose, _ = checkpoint_dose(case, ladder, at_least_most_generous=True)
        now = back.place.now.get(case.target_ids[0], NONE)
        return replace(dose, lt4_ug=max(dose.lt4_ug, now))
    before = amounts_of(dose_of(back.underway.original), case.products)
    made = {p.id: _orderable(back, p, amount) for p, amount in before}
    return as_dose(made, case.products)


def _orderable(back: Midway, preparation: Preparation, amount: Fraction) -> Fraction:
    """The nearest that tablets make of it, the lower of two as near; unchanged where it is still
    taken."""
    if back.place.now.get(preparation.id) == amount:
        return amount
    return nearest_made(back.case, preparation.id, amount)


def way_back(back: Midway, dose: TargetDose) -> tuple[Timeline, tuple[LabDraw, ...]] | None:
    """The doses by day, and the draws: the first of them today.

    ``None`` where tablets in stock do not lead there: half a way back would leave the patient
    with less than either regimen.
    """
    case = back.case
    moving = medicines(case.old, dose, case.products, case.pace)
    if not any(amounts_of(dose, case.products)) or not all(map(_is_reached, moving)):
        return None
    last_days = case.wait_days + case.policy.results_days
    slots = _with_a_window(case, new_schedule(moving, case.pace, case.policy, last_days))
    own = settled(case, *_beside(case, slots, [move for move in moving if not move.rises]))
    steady = steady_day(own.followed, case.old_intake, case.policy.steady_within)
    decides = LabDraw(own.lab_day, "checkpoint", DRAW, steady)
    return own, series_draws(case, own.slots, own.old, decides, PriorTherapy.OVERLAP)


def _is_reached(move: Move) -> bool:
    """Whether tablets make the increments by which a medicine with T3 is to rise."""
    if not move.rises or not move.preparation.carries_t3:
        return True
    return (move.start, *reachable(move))[-1] == move.goal


def _with_a_window(case: SwitchCase, slots: tuple[Slot, ...]) -> tuple[Slot, ...]:
    """The same slots with the weeks in which T3 may fall, where all that rises does so at once."""
    if len(slots) > 1:
        return slots
    (only,) = slots
    grid, window = case.policy.taper_grid_days, case.policy.taper_window_days
    weeks = [replace(only, first_day=day, days=grid) for day in range(0, window, grid)]
    return (*weeks, replace(only, first_day=len(weeks) * grid))


def _beside(case: SwitchCase, slots: tuple[Slot, ...], falling: Sequence[Move]) -> Beside:
    """What falls beside what rises; two products of desiccated thyroid never go side by side."""
    ending = [move for move in falling if move.goal < move.start]
    exchanged = any(move.preparation.kind is Kind.DESICCATED_THYROID for move in ending) and any(
        case.preparations[key].kind is Kind.DESICCATED_THYROID for key in slots[-1].amounts
    )
    if not ending or exchanged:
        return slots, stopped(slots, falling), None
    found = taper_beside(case, slots, falling)
    if found:
        return slots, *found
    last = {move.preparation.id: move.goal for move in falling}
    stays = {move.preparation.id: move.start for move in falling}
    first = slots[0]
    at_once = first.amounts == slots[-1].amounts
    if at_once and case.t3_ug({**first.amounts, **stays}) > first.t3_ceiling_ug:
        # T3 that returns at once leaves no room for what falls, and no tablets make less of that.
        return slots, stopped(slots, falling), None
    return slots, [*(dict(stays) for _ in slots[1:]), last], None
