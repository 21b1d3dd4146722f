"""The new medicine's schedule: which dose on which day, before anything is said of the old.

Where the new regimen swallows more T3 than the old, it climbs: one increment of one medicine
per step, from nothing or from the dose already taken. Where T3 does not rise there is nothing
to climb, and the new medicine starts at the checkpoint's dose.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from math import ceil, log

from crossgrain.dosing.kinetics import Kinetics
from crossgrain.dosing.moves import Move, next_up, step_up
from crossgrain.dosing.policy import Pace, Policy
from crossgrain.dosing.preparations import Preparation, total
from crossgrain.names.values import frozen

MOST_CHANGES = 8
"""At how many steps the old dose may change. A longer climb allows it at every second step, or
third, so that the search stays short; only a few changes are made in any case."""


@frozen
class Slot:
    """A period of the schedule: the new medicines' doses, and the most T3 in all.

    Attributes
    ----------
    first_day, days : when, and for how long
    amounts : daily amount of each rising medicine, by preparation id
    t3_ceiling_ug : the most T3 that old and new may carry together, µg per day
    old_may_change : whether the old dose may differ from the slot before
    """

    first_day: int
    days: int
    amounts: dict[str, Fraction]
    t3_ceiling_ug: Fraction
    old_may_change: bool = True


def t3_before(medicines: Sequence[Move]) -> Fraction:
    """T3 swallowed before the switch, µg per day."""
    return total(m.preparation.t3_ug(m.start) for m in medicines)


def t3_at_goal(medicines: Sequence[Move]) -> Fraction:
    """T3 swallowed at the checkpoint's dose, µg per day."""
    return total(m.preparation.t3_ug(m.goal) for m in medicines)


def wait_days(kinetics: Kinetics, policy: Policy) -> int:
    """Days from a dose that will be kept to its labs.

    The policy's wait, or, where the half-life makes that longer, the time in which the T4 pool
    decays to within the steady band.
    """
    return max(policy.lab_wait_days, ceil(-kinetics.t4_tau * log(policy.steady_within)))


def new_schedule(
    medicines: Sequence[Move], pace: Pace, policy: Policy, last_days: int
) -> tuple[Slot, ...]:
    """The slots of the new medicine, the last of them `last_days` long."""
    if t3_at_goal(medicines) > t3_before(medicines):
        return _climb(medicines, pace, last_days)
    return _at_once(medicines, policy, last_days)


def rising_amounts(medicine: Move) -> list[Fraction]:
    """The doses of a climb, after the start and up to the goal, one increment apart.

    Raises
    ------
    DomainError
        where the stocked strengths leave a gap wider than one increment.
    """
    preparation, increment = medicine.preparation, medicine.increment
    doses = [medicine.start]
    while doses[-1] < medicine.goal:
        doses.append(min(next_up(preparation, increment, doses[-1]), medicine.goal))
    return doses[1:]


def reachable(medicine: Move) -> Iterator[Fraction]:
    """The same doses, as far as stocked strengths go; each is worked out only when asked for."""
    preparation, increment, dose = medicine.preparation, medicine.increment, medicine.start
    while dose < medicine.goal and (higher := step_up(preparation, increment, dose)):
        dose = min(higher, medicine.goal)
        yield dose


def old_may_change(number: int, steps: int, most: int = MOST_CHANGES) -> bool:
    """Whether the old dose may change at step `number` of `steps`.

    At about `most` of them at the most, evenly spread, and always at the last.

    >>> [old_may_change(number, 6, 4) for number in range(6)]
    [True, False, True, False, True, True]
    """
    return number % ceil(steps / most) == 0 or number == steps - 1


def _climb(medicines: Sequence[Move], pace: Pace, last_days: int) -> tuple[Slot, ...]:
    rising = [medicine for medicine in medicines if medicine.rises]
    amounts = {
        medicine.preparation.id: medicine.start
        if medicine.preparation.carries_t3
        else medicine.goal
        for medicine in rising
    }
    rises = ((m.preparation, rising_amounts(m)) for m in rising if m.preparation.carries_t3)
    return rising_slots(amounts, t3_before(medicines), rises, (0, pace.interval_days, last_days))


def rising_slots(
    amounts: dict[str, Fraction],
    t3_ug: Fraction,
    rises: Iterable[tuple[Preparation, Iterable[Fraction]]],
    days: tuple[int, int, int],
) -> tuple[Slot, ...]:
    """A slot for each dose that a medicine with T3 rises to, one medicine after the other.

    Parameters
    ----------
    amounts : by preparation id, the doses from which these medicines rise, and those beside them
    t3_ug : T3 swallowed before, µg per day; every rise adds what it carries
    rises : each medicine and its doses; where there are none, the amounts are one slot
    days : the first day of the first slot, the length of every slot, and that of the last
    """
    reached: list[tuple[dict[str, Fraction], Fraction]] = []
    for preparation, doses in rises:
        for dose in doses:
            t3_ug += preparation.t3_ug(dose - amounts[preparation.id])
            amounts = {**amounts, preparation.id: dose}
            reached.append((amounts, t3_ug))
    reached = reached or [(amounts, t3_ug)]
    first_day, interval_days, last_days = days
    final = len(reached) - 1
    return tuple(
        Slot(
            first_day + number * interval_days,
            last_days if number == final else interval_days,
            reached_amounts,
            most_t3,
            old_may_change(number, len(reached)),
        )
        for number, (reached_amounts, most_t3) in enumerate(reached)
    )


def _at_once(medicines: Sequence[Move], policy: Policy, last_days: int) -> tuple[Slot, ...]:
    amounts = {m.preparation.id: m.goal for m in medicines if m.rises}
    increments = [m.preparation.t3_ug(m.increment) for m in medicines if m.rises]
    ceiling = t3_before(medicines) + max(increments, default=Fraction(0))
    grid, window = policy.taper_grid_days, policy.taper_window_days
    starts = list(range(0, window, grid))
    return (
        *(Slot(day, grid, amounts, ceiling) for day in starts),
        Slot(len(starts) * grid, last_days, amounts, ceiling),
    )
