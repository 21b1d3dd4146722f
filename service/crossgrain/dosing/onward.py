"""The visit after the first: what is taken from today on, whether a plan runs or not.

Every next step is an ordinary plan whose day 0 is today. It starts from the doses that are taken
today and from the pools as they are. Coverage stays that of the regimen before day one, so that a
forecast made today goes on where the first one stands.

===========  ====================================================================================
continue     the steps still to come, each as long as it was meant to be
hold         today's doses of everything for some days or until the next labs, then those steps
slow down    those steps, each step of the climb so many times as long
step back    the step before today's, as far as the new medicine goes, until the next labs
turn back    what was taken before day one; in pregnancy its worth in LT4 alone
branch       what labs lead to; then the labs after that, and their branches in turn
===========  ====================================================================================

The dose at which the climb waits for labs is day one's. To plan again never raises it: only labs
that are read do. No step climbs by more than one increment, and what falls does not rise again.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from crossgrain.dosing.branch_doses import Hold
from crossgrain.dosing.branches import Outline, outlines
from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import Slot
from crossgrain.dosing.comparison import aim_on, compare
from crossgrain.dosing.forecast import course
from crossgrain.dosing.ladder import checkpoint_dose, ladder_to
from crossgrain.dosing.moves import amounts_of, as_dose, old_amounts, ordered_as
from crossgrain.dosing.need import UNCHANGED
from crossgrain.dosing.onward_rationale import amounts_words, days_words, explain_onward
from crossgrain.dosing.outlook import Timeline, forecast_for
from crossgrain.dosing.plan import (
    BasisRow,
    Begins,
    LabDraw,
    LabReading,
    Plan,
    PriorTherapy,
    Rung,
    Statement,
)
from crossgrain.dosing.planner import Destination, Ways, plan_along
from crossgrain.dosing.tablets import makings
from crossgrain.dosing.targets import TargetDose
from crossgrain.dosing.underway import Act, Amounts, Dated, Place, Underway, place_of
from crossgrain.dosing.wish import Tables, Wish, case_of, home_of

__all__ = ["Act", "Dated", "Underway", "plan_onward"]

NONE = Fraction(0)


@dataclass(frozen=True, slots=True)
class _Midway:
    """Where a plan is made from.

    Attributes
    ----------
    case : its old doses are today's, its pools those of today
    place : where in the plan as filed
    rows : the comparison of the regimen before day one
    """

    underway: Underway
    tables: Tables
    wish: Wish
    case: SwitchCase
    place: Place
    rows: tuple[BasisRow, ...]

    @property
    def checkpoint(self) -> Amounts:
        """The dose at which the climb waits, by preparation id."""
        dose = self.underway.checkpoint or TargetDose()
        return {p.id: amount for p, amount in amounts_of(dose, self.case.products)}

    @property
    def kept_for(self) -> int:
        """Days on a dose whose labs were in range twice: two draws take so long at the least."""
        return max(self.place.had, self.case.wait_days + self.case.draws_apart)


def plan_onward(
    underway: Underway,
    act: Act,
    tables: Tables,
    *,
    reading: LabReading | None = None,
    hold_days: int | None = None,
    freeze_old: bool = False,
) -> Plan:
    """Plan from today on.

    Parameters
    ----------
    underway : where the patient stands
    act : what the visit ends with
    reading : what labs say that speak of today's doses, for a branch
    hold_days : for how long the doses are held; ``None`` until the next labs
    freeze_old : whether the old medicine stays as it is while the climb goes on

    Raises
    ------
    DomainError
        nothing was taken before day one; `basis` unknown, for comparison only, or a chart that
        does not reach the dose; `pace` unknown; `stock` makes no such dose.
    ValueError
        for an act that has no plan, and a branch without a reading.
    """
    mid = _midway(underway, tables)
    match act:
        case Act.BRANCH if reading is not None:
            return _branch(mid, reading)
        case _:
            raise ValueError(f"no plan follows from {act}")


def _midway(underway: Underway, tables: Tables) -> _Midway:
    wish = underway.wish
    rows = compare(underway.original, tables.bases, wish.target, wish.mixture)
    first = case_of(underway.original, wish, tables, rows)
    if underway.checkpoint is None:
        rows = tuple(replace(row, target=row.target and _dose_of(first)) for row in rows)
    old = old_amounts(underway.today, first.products)
    now = {key: amount for key, (_, amount) in old.items()}
    gap = tables.policy.onward.gap_days
    place = place_of(underway, now, first.products, first.target_ids, gap)
    planned = (p for d in underway.planned for p, _ in d.amounts)
    known = {key: p for key, (p, _) in old.items()}
    known |= {p.id: p for p in (ordered_as(p, first.products) for p in planned)}
    case = replace(
        first,
        old=old,
        preparations={**known, **first.preparations},
        home=home_of(old, wish),
        going_on=frozenset(),
        largest_half={
            key: max(now.get(key, NONE), first.largest_half.get(key, NONE))
            for key in {*now, *first.largest_half}
        },
        exchange=None,
        need=first.need if underway.checkpoint else UNCHANGED,
        taken=tuple(spell.intake for spell in place.past),
    )
    return _Midway(underway, tables, wish, case, place, rows)


def _dose_of(case: SwitchCase) -> TargetDose:
    """What was taken before day one, exactly."""
    regimen = case.regimen
    return TargetDose(regimen.pure_t4_ug, regimen.pure_t3_ug, regimen.grains)


# --- branch ----------------------------------------------------------------------------------


def _branch(mid: _Midway, reading: LabReading) -> Plan:
    """The doses that labs lead to, solved from where the patient stands today."""
    case = mid.case
    way = _outline(mid, reading)
    decides, on_the_way = _first_of(way.labs)
    last = way.slots[-1]
    decision = decides.day + case.policy.results_days
    slots = (*way.slots[:-1], replace(last, days=decision - last.first_day))
    stays = {**last.amounts, **way.old[-1]} == _now(mid).taken
    kept_for = mid.kept_for + decision if stays and _now(mid).proved else 0
    proved = _maintained(case, kept_for) if reading is LabReading.IN_RANGE else ()
    own = _timeline(case, slots, way.old, decides.day, proved)
    bases = " and ".join(f"“{basis_id}”" for basis_id in way.basis_ids)
    done = Statement(
        f"The labs are read as {_READ_AS[reading]}. {way.statement}",
        f"from {amounts_words(case, mid.place.now)}, taken for {days_words(mid.place.had)}, and"
        " from the pools as they are today",
        (),
        f"solved on {bases}",
    )
    return _planned(mid, own, (*on_the_way, replace(decides, purpose="checkpoint")), done)


_READ_AS = {
    LabReading.VERY_HIGH: "far above the limit",
    LabReading.HIGH: "above the limit",
    LabReading.HIGH_FREE_T3: "above the limit, with free T3 above its range",
    LabReading.IN_RANGE: "in range",
    LabReading.SYMPTOMS: "in range, with symptoms",
    LabReading.LOW: "below the limit",
    LabReading.VERY_LOW: "far below the limit, or below it with palpitations or a fast pulse",
}


def _outline(mid: _Midway, reading: LabReading) -> Outline:
    """The branch of a reading; where no raise adds T3, free T3 has nothing to say."""
    ways = {way.reading: way for way in outlines(mid.case.by_need, _now(mid))}
    if reading in ways:
        return ways[reading]
    raised, held = ways[LabReading.HIGH], mid.case.t3_ug(mid.place.now)
    adds = mid.case.t3_ug({**raised.slots[-1].amounts, **raised.old[-1]}) > held
    return ways[LabReading.SYMPTOMS] if adds else raised


def _now(mid: _Midway) -> Hold:
    """Where the patient stands today, as at a checkpoint whose labs are back."""
    case, now = mid.case, mid.place.now
    long = mid.place.had >= case.policy.maintenance_days[-1]
    kept = {key: now.get(key, NONE) for key in case.target_ids}
    return Hold(
        decision_day=0,
        pools=case.begins(case.kinetics),
        kept=kept,
        remainder={key: amount for key, amount in now.items() if key not in case.target_ids},
        checkpoint={**kept, **mid.checkpoint},
        as_taken=frozenset(),
        home=case.home,
        proved=_maintained(case, mid.kept_for) if mid.underway.in_range_before or long else (),
    )


def _maintained(case: SwitchCase, kept_for: int) -> tuple[int, ...]:
    """The draws of maintenance still to come, in days, on a dose taken for so long; then yearly."""
    since = max(kept_for - case.wait_days - case.draws_apart, 0)
    days = case.policy.maintenance_days
    ahead = tuple(day - since for day in days if day - since > case.policy.results_days)
    return ahead or days[-1:]


def _first_of(labs: Iterable[LabDraw]) -> tuple[LabDraw, tuple[LabDraw, ...]]:
    """The draw that the next decision waits for, and those on the way to it."""
    on_the_way: list[LabDraw] = []
    for draw in labs:
        if draw.purpose != "interim":
            return replace(draw, repeat_days=()), tuple(on_the_way)
        on_the_way.append(replace(draw, day=max(draw.day, 0)))
    raise ValueError("a branch ends without labs")


# --- every act -------------------------------------------------------------------------------


def _timeline(
    case: SwitchCase,
    slots: Sequence[Slot],
    old: Sequence[Mapping[str, Fraction]],
    lab_day: int,
    proved: tuple[int, ...] = (),
) -> Timeline:
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


def _planned(mid: _Midway, own: Timeline, labs: tuple[LabDraw, ...], done: Statement) -> Plan:
    case = replace(mid.case, going_on=frozenset(_supplied(mid, own)))
    chosen = mid.wish.prior_therapy
    forecast = forecast_for(case, chosen, own, own.decision_day, with_band=True)
    other = next(mode for mode in PriorTherapy if mode is not chosen)
    ways = Ways(own, (forecast, replace(forecast, prior_therapy=other, band=None)), None)
    plan = plan_along(case, mid.wish, mid.rows, _goal(mid, own), ways, labs)
    reasons = explain_onward(case, plan, mid.underway.today, mid.place, done)
    return replace(plan, rationale=reasons, begins=Begins(mid.underway.original, case.taken))


def _supplied(mid: _Midway, own: Timeline) -> Iterator[str]:
    """The medicines whose supply lasts for as long as today's dose stays.

    That is what was taken before day one and never changed, what the plan ordered, and what no
    tablets on the list make, so that the prescriber must have ordered it in another way.
    """
    case, place = mid.case, mid.place
    before = {key: a for key, (_, a) in old_amounts(mid.underway.original, case.products).items()}
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


def _goal(mid: _Midway, own: Timeline) -> Destination:
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
    aim = aim_on(mid.wish.basis_id, mid.rows)
    if underway.checkpoint is None or mid.wish.another_product:
        ladder = tuple(Rung(enabled.basis, aim, dose) for enabled in case.enabled)
        return Destination(aim, dose, mid.wish.basis_id, ladder)
    first = case_of(underway.original, replace(mid.wish, stock=()), mid.tables, mid.rows)
    ladder = ladder_to(first, mid.rows, aim, mid.wish.mixture.asked_ratio)
    generous = mid.wish.lt4_at_least_most_generous
    _, set_by = checkpoint_dose(first, ladder, at_least_most_generous=generous)
    return Destination(aim.times(first.lowers), dose, set_by, ladder)
