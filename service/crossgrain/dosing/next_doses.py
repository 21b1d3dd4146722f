"""The doses from today on where no labs decide: the steps to come, and how they are changed.

Four things hold whatever was taken meanwhile. What climbs does so by one increment at a time, from
what is taken today; where tablets in stock make no next step, it stays until the labs. No new
medicine goes past the checkpoint before labs. What falls does not rise again. And nobody is left
without hormone.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.branch_doses import lowered
from crossgrain.dosing.branches import climb_on
from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import reachable
from crossgrain.dosing.kinetics import after
from crossgrain.dosing.midway import NONE, Midway
from crossgrain.dosing.moves import Move, ordered_amounts, step
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.tablets import can_be_ordered, makings
from crossgrain.dosing.underway import Amounts, Spell
from crossgrain.names.values import frozen


@frozen
class Days:
    """So many days on the same doses; such periods follow one another from today on."""

    days: int
    amounts: Amounts


def continued(mid: Midway, *, freeze_old: bool = False) -> list[Days]:
    """The steps still to come, each as long as it was meant to be.

    Where the plan as filed waits for labs below the checkpoint, as after a step back, the climb
    goes on to it when its days are over.
    """
    further = _beyond(mid) if mid.place.steps and mid.place.waits else []
    if not further:
        return _from_today(mid, mid.place.rest, freeze_old=freeze_old)
    rest = [Days(mid.place.rest, mid.place.now)] if mid.place.rest else []
    return [*rest, *further]


def _beyond(mid: Midway) -> list[Days]:
    """The climb from the end of a hold that lies below the checkpoint."""
    case, hold, rest = mid.case.by_need, mid.hold, mid.place.rest
    pools = after(case.kinetics, hold.pools, case.intake(hold.taken), rest)
    way = climb_on(case, replace(hold, decision_day=rest, pools=pools))
    if way is None:
        return []
    return [Days(s.days, {**s.amounts, **old}) for s, old in zip(way.slots, way.old, strict=True)]


def held(mid: Midway, days: int | None, slower: Fraction = Fraction(1)) -> list[Days]:
    """Today's doses for so many days, or until labs speak of them; then the steps to come.

    `slower` is how many times as long as planned each of these is.
    """
    first = max(mid.place.rest, mid.until_labs if days is None else days)
    return _from_today(mid, first, slower=slower)


def slowed(mid: Midway) -> list[Days]:
    """The steps still to come, each step of the climb so many times as long as planned."""
    place, slower = mid.place, mid.case.policy.onward.slower
    if place.waits or place.at < 0:
        return _from_today(mid, place.rest, slower=slower)
    rest = int(place.steps[place.at].days * slower) - place.had
    return _from_today(mid, max(rest, 0), slower=slower)


def stepped_back(mid: Midway) -> list[Days]:
    """The step before today's, as far as the target's medicines go, until the labs.

    What is left of the old medicine stays as it is: it would act only in weeks. Where no step
    before has less T3, the dose comes down as it does after a TSH below the limit.
    """
    now = mid.place.now
    for before in _steps_before(mid):
        back = {**now, **{key: before.get(key, NONE) for key in mid.case.target_ids}}
        if _is_less(mid.case, back, now) and any(back.values()):
            return [_until_labs(mid, back)]
    less = lowered(mid.case.by_need, mid.hold, mid.case.policy.branches.step_back_low)
    return [_until_labs(mid, less.taken)]


def _steps_before(mid: Midway) -> Iterator[Amounts]:
    """The plan's steps before today's, the last first, then what was taken before day one."""
    place = mid.place
    for number in range(place.at, -1, -1):
        yield _before(mid, number)


def _is_less(case: SwitchCase, back: Amounts, now: Amounts) -> bool:
    rises = any(back[key] > now.get(key, NONE) for key in case.target_ids)
    made = all(
        back[key] == now.get(key, NONE) or _made(case, key, back[key])
        for key in case.target_ids
        if back[key]
    )
    return not rises and made and case.t3_ug(back) < case.t3_ug(now)


def _until_labs(mid: Midway, amounts: Amounts) -> Days:
    case = mid.case
    return Days(case.wait_days + case.policy.results_days, amounts)


# --- the steps to come -----------------------------------------------------------------------


def _from_today(
    mid: Midway,
    first: int,
    *,
    slower: Fraction = Fraction(1),
    freeze_old: bool = False,
) -> list[Days]:
    """Today's doses for so many days, then the steps to come."""
    place, results = mid.place, mid.case.policy.results_days
    now = place.now
    ahead = [Days(first, now)] if first else []
    for number, planned in enumerate(place.to_come, start=place.at + 1):
        is_last = number == len(place.steps) - 1
        days = planned.days if is_last else int(planned.days * slower)
        wanted = _wanted(mid, now, planned, freeze_old=freeze_old)
        *between, reached = _climbed(mid, number, now, wanted)
        ahead += [Days(mid.case.pace.interval_days, amounts) for amounts in between]
        now = reached
        if reached != wanted:
            return [*ahead, _until_labs(mid, reached)]
        ahead.append(Days(days, reached))
    if not place.steps and not ahead:
        return [Days(mid.until_labs, now)]
    return ahead or [Days(results, now)]  # its days are over: blood is drawn today


def _wanted(mid: Midway, now: Amounts, planned: Spell, *, freeze_old: bool) -> dict[str, Fraction]:
    """The doses of a planned step, as far as what is taken now leaves them open."""
    case = mid.case
    wanted = {
        key: _of_target(mid, key, now.get(key, NONE), planned.amounts.get(key, NONE))
        for key in case.target_ids
    }
    for key in sorted({*now, *planned.amounts} - set(wanted)):
        held, fallen = now.get(key, NONE), planned.amounts.get(key, NONE)
        wanted[key] = held if freeze_old else _fallen(case, key, held, min(held, fallen))
    if freeze_old and case.t3_ug(wanted) > max(case.t3_ug(now), case.t3_ug(planned.amounts)):
        return _wanted(mid, now, planned, freeze_old=False)  # the old medicine carries T3 too
    return wanted


def _of_target(mid: Midway, key: str, held: Fraction, planned: Fraction) -> Fraction:
    """A target's medicine: what was raised by hand stays as far as the plan goes in the end."""
    case, steps = mid.case, mid.place.steps
    ends = steps[-1].amounts.get(key, NONE)
    if ends < steps[0].amounts.get(key, NONE):  # it falls
        dose = max(min(held, planned), min(planned, ends))
        return dose if dose >= held else _fallen(case, key, held, dose)
    dose = max(planned, min(held, ends))
    if mid.underway.climbing and key in mid.checkpoint:
        dose = min(dose, max(mid.checkpoint[key], held))
    preparation = case.preparations[key]
    if preparation.carries_t3 or dose == held or _made(case, key, dose):
        return dose
    return nearest_made(case, key, dose) or held


def nearest_made(case: SwitchCase, key: str, dose: Fraction) -> Fraction:
    """A medicine's dose as near as tablets come to it; 0 where none is made.

    Of two doses that are as near, the lower.
    """
    table = makings(case.preparations[key])
    near = sorted(
        (Fraction(steps, table.scale) for steps in table.steps),
        key=lambda other: (abs(other - dose), other),
    )
    return next((other for other in near if _made(case, key, other)), NONE)


def _fallen(case: SwitchCase, key: str, held: Fraction, dose: Fraction) -> Fraction:
    """A falling dose as near as tablets in stock come to it, and never above the last one."""
    if not dose or dose == held or _made(case, key, dose):
        return dose
    table = makings(case.preparations[key])
    below = (Fraction(steps, table.scale) for steps in table.steps)
    made = [other for other in below if other < held and _made(case, key, other)]
    return min(made, key=lambda other: (abs(other - dose), other), default=held)


def _made(case: SwitchCase, key: str, dose: Fraction) -> bool:
    """Whether tablets make it, none broken that is stronger than a whole dose ever was."""
    preparation = case.preparations[key]
    table = makings(preparation)
    limit = max(case.largest_half.get(key, NONE), dose if key in case.target_ids else NONE)
    return table.way(dose, table.mask(preparation.strengths), limit) is not None


def _climbed(
    mid: Midway, number: int, now: Amounts, wanted: Mapping[str, Fraction]
) -> list[dict[str, Fraction]]:
    """The way to a step's doses, which come last: one increment of one medicine at a time.

    Where what is taken is the step before, it is as planned: a move in which T3 falls starts the
    new medicine at once, unless T3 was left out meanwhile. Otherwise it climbs from what is taken;
    where tablets make no next increment, as far as they do, the old medicine left as it is.
    """
    case, before = mid.case, _before(mid, number)
    rising = [
        case.preparations[key]
        for key in case.target_ids
        if case.preparations[key].carries_t3 and wanted[key] > now.get(key, NONE)
    ]
    one_increment = max((p.t3_ug(p.increment) for p in rising), default=NONE)
    if (
        all(before.get(p.id, NONE) == now.get(p.id, NONE) for p in rising)
        and case.t3_ug(wanted) - case.t3_ug(now) <= one_increment
        and all(can_be_ordered(p, wanted[p.id]) for p in rising)
    ):
        return [dict(wanted)]
    way = list(_by_increments(case, rising, now, wanted)) or [dict(now)]
    if any(way[-1].get(p.id, NONE) != wanted[p.id] for p in rising):
        return way
    return [*way[:-1], dict(wanted)]


def _before(mid: Midway, number: int) -> Amounts:
    """The doses of the step before one of the plan's, or those before day one."""
    if number:
        return mid.place.steps[number - 1].amounts
    return ordered_amounts(mid.underway.original, mid.case.products)


def _by_increments(
    case: SwitchCase,
    rising: Sequence[Preparation],
    now: Amounts,
    wanted: Mapping[str, Fraction],
) -> Iterator[dict[str, Fraction]]:
    """What is reached, one medicine after the other, as far as tablets make the increments."""
    reached = dict(now)
    for preparation in rising:
        key, increment = preparation.id, step(preparation, case.pace)
        rise = Move(preparation, now.get(key, NONE), wanted[key], increment)
        for dose in reachable(rise):
            if can_be_ordered(preparation, dose):
                reached = {**reached, key: dose}
                yield reached
        if reached.get(key, NONE) != wanted[key]:
            return
