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
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.branches import Outline, outlines
from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import Slot
from crossgrain.dosing.comparison import aim_on
from crossgrain.dosing.draws import DRAW, between, onward_draws
from crossgrain.dosing.forecast import course, coverage_extremes, steady_day
from crossgrain.dosing.kinetics import ConstantIntake
from crossgrain.dosing.ladder import checkpoint_dose, ladder_to
from crossgrain.dosing.midway import NONE, Midway, maintained, midway
from crossgrain.dosing.moves import as_dose, ordered_amounts, total_intake
from crossgrain.dosing.next_doses import Days, continued, held, slowed, stepped_back
from crossgrain.dosing.onward_rationale import (
    branched,
    cannot_turn,
    explain_onward,
    goes_on,
    holds,
    slows,
    steps_back,
    turns_back,
)
from crossgrain.dosing.outlook import Timeline, forecast_for
from crossgrain.dosing.plan import (
    TOO_MUCH,
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
from crossgrain.dosing.turn_back import dose_back, target_before, towards, way_back
from crossgrain.dosing.underway import Act, Dated, DrawnWhen, LabsAwaited, Underway
from crossgrain.dosing.wish import Tables, case_of
from crossgrain.names.errors import Category, DomainError

__all__ = ["Act", "Dated", "Underway", "plan_onward", "while_waiting"]


def plan_onward(
    underway: Underway,
    act: Act,
    tables: Tables,
    *,
    reading: LabReading | None = None,
    hold_days: int | None = None,
    awaited: LabsAwaited | None = None,
    freeze_old: bool = False,
    slower: Fraction = Fraction(1),
) -> Plan:
    """Plan from today on.

    Parameters
    ----------
    underway : where the patient stands
    act : what the visit ends with
    reading : what labs say that speak of today's doses, for a branch
    hold_days : for how long the doses are held; ``None`` until the next labs
    awaited : the labs that a hold of so many days waits for; ``None`` those of the plan
    freeze_old : whether the old medicine stays as it is while the climb goes on
    slower : after a hold, how many times as long the steps are that follow

    Raises
    ------
    DomainError
        nothing was taken before day one, or nothing is taken today and the act is not to turn
        back; `basis` unknown, for comparison only, or a chart that does not reach the dose; `pace`
        unknown; `stock` makes no such dose.
    ValueError
        for an act that has no plan, and a branch without a reading.
    """
    mid = midway(underway, tables)
    if not mid.place.now and act is not Act.TURN_BACK:
        raise DomainError(Category.INVALID, "regimen", "no thyroid hormone is taken")
    match act:
        case Act.CONTINUE:
            days = continued(mid, freeze_old=freeze_old)
            done = goes_on(mid, freeze_old=freeze_old)
            return _by_days(mid, days, done, drawn=mid.place.waits)
        case Act.HOLD:
            days = held(mid, hold_days, slower)
            done = holds(mid, hold_days, slower)
            before_next = hold_days is None or _when(awaited) is DrawnWhen.BEFORE_NEXT
            at_once = _at_once(mid, awaited)
            return _by_days(mid, days, done, drawn=before_next, at_once=at_once)
        case Act.SLOW_DOWN:
            return _by_days(mid, slowed(mid), slows(mid))
        case Act.STEP_BACK:
            days = stepped_back(mid)
            return _by_days(mid, days, steps_back(mid, days[0].amounts))
        case Act.TURN_BACK:
            return _turn_back(mid)
        case Act.BRANCH if reading is not None:
            return _branch(mid, reading)
        case _:
            raise ValueError(f"no plan follows from {act}")


def while_waiting(
    underway: Underway, tables: Tables, to_come: Sequence[Dated] = ()
) -> Mapping[str, float]:
    """The lowest coverage by basis until what stops a course is settled; 1 is before day one.

    Nobody knows when that will be, so the lowest is taken over all time to come: from the pools of
    today to the steady state of the last dose. Empty where nothing is taken.

    Parameters
    ----------
    to_come : what is filed to be taken instead of today's doses, from tomorrow on or later; the
        last of it goes on

    Raises
    ------
    DomainError
        as `plan_onward` does.
    """
    mid = midway(underway, tables)
    case, now = mid.case, mid.place.now
    if not now:
        return {}
    today = ConstantIntake(to_come[0].first_day if to_come else case.wait_days, case.intake(now))
    later = [
        ConstantIntake(each.last_day - each.first_day + 1, total_intake(each.amounts))
        for each in to_come
    ]
    *before, last = (today, *later)
    days = (*before, ConstantIntake(case.wait_days, last.intake))
    followed = course(case.kinetics, case.begins(case.kinetics), days)
    lowest = {
        each.basis.id: coverage_extremes(followed, each.basis, each.weights, each.per_pool).lowest
        for each in case.enabled
    }
    return {
        each.basis.id: min(lowest[each.basis.id].value, each.coverage(last.intake))
        for each in case.enabled
    }


# --- continue, hold, slow down, step back ----------------------------------------------------


def _when(awaited: LabsAwaited | None) -> DrawnWhen | None:
    return awaited.draw if awaited else None


def _at_once(mid: Midway, awaited: LabsAwaited | None) -> int | None:
    """The day on which a hold has blood drawn without waiting; ``None`` where it waits."""
    if awaited is None:
        return None
    due = awaited.draw is DrawnWhen.WHEN_DUE and _is_settled(mid)
    return awaited.earliest if due or awaited.draw is DrawnWhen.NOW else None


def _is_settled(mid: Midway) -> bool:
    """Whether labs speak of today's dose, and the plan names none that are still far off."""
    results = mid.case.policy.results_days
    return mid.until_labs <= results and mid.place.rest <= results


def _by_days(
    mid: Midway,
    days: Sequence[Days],
    done: Statement,
    *,
    drawn: bool = False,
    at_once: int | None = None,
) -> Plan:
    """A plan of doses that are settled by day; `drawn` says that labs end the first of them.

    At its end it waits for labs, drawn a week before. Blood that is drawn `at_once`, on that day,
    decides where it speaks of the dose that is held to the end; else it is one more on the way.
    """
    case, results = mid.case, mid.case.policy.results_days
    slots, old = _side_by_side(case, days)
    end = slots[-1].first_day + slots[-1].days
    waits = len(slots) == 1 and mid.place.waits and not mid.underway.climbing
    proved = maintained(case, mid.kept_for + end) if waits and mid.underway.in_range_before else ()
    decided = max(end - results, 0)
    if at_once is not None and len(slots) == 1 and _is_settled(mid):
        decided = min(at_once, decided)
    own = _goes_by(case, slots, old, decided, proved)
    steady = steady_day(own.followed, case.old_intake, case.policy.steady_within)
    decides = LabDraw(own.lab_day, "checkpoint", DRAW, steady)
    fixed = [_last_draw(mid)]
    if drawn and len(slots) > 1 and slots[0].days > results:
        fixed.append(slots[0].days - results)
    labs = onward_draws(case, slots, old, fixed, decides, at_once)
    return _planned_from(mid, own, labs, done)


def _last_draw(mid: Midway) -> int:
    """The last draw before today that the plan had; where it had none, today."""
    case, steps = mid.case, mid.place.steps
    if not steps:
        return 0
    first, last = steps[0].first_day, steps[-1].first_day + steps[-1].days
    decides = last - case.policy.results_days
    starts = [spell.first_day for spell in steps[1:]]
    on_the_way = between(first, decides, starts, case.draws_apart, case.policy.draws)
    draws = (first, *(day for day, _ in on_the_way), decides)
    return max((day for day in draws if day < 0), default=0)


def _side_by_side(
    case: SwitchCase, days: Sequence[Days]
) -> tuple[list[Slot], list[dict[str, Fraction]]]:
    """The target's medicines, and beside them what is left of the old; equal neighbours joined."""
    keys = sorted({*case.old, *(key for each in days for key in each.amounts)})
    slots: list[Slot] = []
    old: list[dict[str, Fraction]] = []
    for each in days:
        amounts = {key: each.amounts.get(key, NONE) for key in case.target_ids}
        beside = {key: each.amounts.get(key, NONE) for key in keys if key not in amounts}
        if slots and (slots[-1].amounts, old[-1]) == (amounts, beside):
            slots[-1] = replace(slots[-1], days=slots[-1].days + each.days)
            continue
        begins = slots[-1].first_day + slots[-1].days if slots else 0
        slots.append(Slot(begins, each.days, amounts, case.t3_ug(each.amounts)))
        old.append(beside)
    return slots, old


# --- turn back -------------------------------------------------------------------------------


def _turn_back(mid: Midway) -> Plan:
    target = target_before(mid)
    if target is not None:
        back = towards(mid, target)
        dose = dose_back(back)
        way = way_back(back, dose)
        if way is not None:
            return _planned_from(back, *way, turns_back(mid, dose))
    if not mid.place.now:
        raise DomainError(Category.INVALID, "regimen", "no thyroid hormone is taken")
    return _by_days(mid, held(mid, None), cannot_turn(mid), drawn=True)


# --- branch ----------------------------------------------------------------------------------


def _branch(mid: Midway, reading: LabReading) -> Plan:
    """The doses that labs lead to, solved from where the patient stands today."""
    case, hold = mid.case, mid.hold
    way = _outline(mid, reading)
    decides, on_the_way = _first_of(way.labs)
    last = way.slots[-1]
    decision = decides.day + case.policy.results_days
    slots = (*way.slots[:-1], replace(last, days=decision - last.first_day))
    stays = way.ends == hold.taken
    kept_for = mid.kept_for + decision if stays and hold.proved else 0
    proved = maintained(case, kept_for) if way.proves else ()
    own = _goes_by(case, slots, way.old, decides.day, proved)
    labs = (*on_the_way, replace(decides, purpose="checkpoint"))
    done = branched(mid, reading, way)
    return _planned_from(_after_too_much(mid) if reading in TOO_MUCH else mid, own, labs, done)


def _after_too_much(mid: Midway) -> Midway:
    """Where labs call today's dose too much: what follows stays short of it, and climbs no more."""
    much = (*mid.case.too_much, mid.case.intake(mid.place.now))
    return replace(
        mid,
        case=replace(mid.case, too_much=much),
        underway=replace(mid.underway, climbing=False),
    )


def _outline(mid: Midway, reading: LabReading) -> Outline:
    """The branch of a reading; where no raise adds T3, free T3 has nothing to say."""
    ways = {way.reading: way for way in outlines(mid.case.by_need, mid.hold)}
    if reading in ways:
        return ways[reading]
    raised, held = ways[LabReading.HIGH], mid.case.t3_ug(mid.place.now)
    adds = mid.case.t3_ug(raised.ends) > held
    return ways[LabReading.SYMPTOMS] if adds else raised


def _first_of(labs: Iterable[LabDraw]) -> tuple[LabDraw, tuple[LabDraw, ...]]:
    """The draw that the next decision waits for, and those on the way to it."""
    on_the_way: list[LabDraw] = []
    for draw in labs:
        if draw.purpose != "interim":
            return replace(draw, repeat_days=()), tuple(on_the_way)
        on_the_way.append(replace(draw, day=max(draw.day, 0)))
    raise ValueError("a branch ends without labs")


def _goes_by(
    case: SwitchCase,
    slots: Sequence[Slot],
    old: Sequence[Mapping[str, Fraction]],
    lab_day: int,
    proved: tuple[int, ...] = (),
) -> Timeline:
    """Doses that are settled by day, as a timeline that begins at today's pools."""
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


def _planned_from(mid: Midway, own: Timeline, labs: tuple[LabDraw, ...], done: Statement) -> Plan:
    """The plan of a timeline and its draws; `done` says what the visit ends with."""
    case = replace(mid.case, going_on=frozenset(_supplied(mid, own)))
    chosen = mid.underway.wish.prior_therapy
    forecast = forecast_for(case, chosen, own, own.decision_day, with_band=True)
    other = next(mode for mode in PriorTherapy if mode is not chosen)
    ways = Ways(own, (forecast, replace(forecast, prior_therapy=other, band=None)), None)
    plan = plan_along(case, mid.underway.wish, mid.rows, _destination(mid, own), ways, labs)
    reasons = explain_onward(mid, case, plan, done)
    return replace(plan, rationale=reasons, begins=Begins(mid.underway.original, case.taken))


def _supplied(mid: Midway, own: Timeline) -> Iterator[str]:
    """The medicines whose supply lasts for as long as today's dose stays.

    That is what was taken before day one and never changed, or what the plan ordered, unless
    today's order of it ends before; and what no tablets on the list make, so that the prescriber
    must have ordered it in another way.
    """
    case, place = mid.case, mid.place
    before = ordered_amounts(mid.underway.original, case.products)
    for key, (preparation, amount) in case.old.items():
        unchanged = before.get(key) == amount and all(
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
        supplied = unchanged or place.supply_left(key) >= lasts
        if not made or (supplied and mid.underway.supplied_for(key, lasts)):
            yield key


def _destination(mid: Midway, own: Timeline) -> Destination:
    """The aim as on day one, and of the checkpoint what is left of it where less is held."""
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
    ladder = ladder_to(first, mid.rows, aim, mid.underway.wish.mixture.ratio)
    generous = mid.underway.wish.lt4_at_least_most_generous
    _, set_by = checkpoint_dose(first, ladder, at_least_most_generous=generous)
    ahead = underway.checkpoint if underway.climbing else None
    return Destination(aim.times(first.lowers), dose, set_by, ladder, ahead)
