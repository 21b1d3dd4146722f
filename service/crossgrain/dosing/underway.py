"""Where a patient stands in a running course: what was taken, and what is still to come.

Pools are run forward from day one over what was really taken, never over what was planned. What is
still to come is read from the plan as it was filed, from the step whose doses are taken today: a
patient who is behind goes on from there, each later step as long as it was meant to be.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from operator import le

from crossgrain.dosing.kinetics import ConstantIntake
from crossgrain.dosing.moves import Products, ordered_amounts, total_intake
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import TargetDose
from crossgrain.dosing.wish import Wish
from crossgrain.names.values import frozen

Amounts = Mapping[str, Fraction]
"""Daily amounts by preparation id; what is not taken is left out."""


class Act(StrEnum):
    """What a visit ends with; the last two end it without a plan."""

    CONTINUE = "continue"
    HOLD = "hold"
    SLOW_DOWN = "slow-down"
    STEP_BACK = "step-back"
    TURN_BACK = "turn-back"
    BRANCH = "branch"
    ASK = "ask"
    STOP = "stop"


class DrawnWhen(StrEnum):
    """When the labs are drawn for which a hold waits."""

    NOW = "now"
    WHEN_DUE = "when-due"  # now where the dose has been taken for long enough, else as planned
    BEFORE_NEXT = "before-next"  # in time to be read before the next step


@frozen
class LabsAwaited:
    """The labs for which a hold waits.

    Attributes
    ----------
    draw : when they are drawn
    earliest : the first day on which a draw tells anything, e.g. without biotin before it
    """

    draw: DrawnWhen
    earliest: int = 0


@frozen
class Dated:
    """Daily amounts from one day to another, both included; today is 0, the past is negative.

    `amounts` are in each preparation's unit, any one in whatever form it was read.
    """

    first_day: int
    last_day: int
    amounts: tuple[tuple[Preparation, Fraction], ...]

    @classmethod
    def of(cls, first_day: int, last_day: int, regimen: Regimen) -> "Dated":
        """A regimen as taken from one day to another."""
        return cls(first_day, last_day, tuple((line.preparation, line.daily) for line in regimen))

    @property
    def by_id(self) -> dict[str, Fraction]:
        """The amounts by preparation id."""
        return {preparation.id: amount for preparation, amount in self.amounts}

    @property
    def regimen(self) -> Regimen:
        """The same as a regimen."""
        return Regimen(tuple(DoseLine(each, (amount,)) for each, amount in self.amounts))


@frozen
class Underway:
    """Where a patient stands, in doses.

    Attributes
    ----------
    original : before day one; where no plan runs, what is taken today
    wish : as on day one; tablets at home and in stock as of today, and what findings of today ask.
        In pregnancy `lt4_at_least_most_generous`: then turning back leads to LT4
    day_one : the plan's first day: today or before; where no plan runs, the first of `taken`
    checkpoint : the dose at which the climb waits, the smaller of carried and recomputed; ``None``
        where no plan runs
    taken : what was really taken from day one to yesterday; a day that none covers is one without
        hormone, and where several do they add up
    today : what is taken today
    planned : the plan's steps as filed, past and to come, the last of them its hold
    climbing : whether the checkpoint's dose is yet to be reached
    in_range_before : whether the labs before those of this visit were in range, on a dose that is
        worth the same: with one more the dose has proved right
    beside : the medicines that stay beside the target's, being no old ones of a move: where no plan
        runs and what is taken is a mixture that none leads to
    beside_source : on whose word
    ends : by preparation id the last day of today's dose in its orders, relative to the plan's
        first; a medicine of which one goes on without an end is not named
    changing : by preparation id the medicines of which today's orders give another dose later
    too_much : what was taken when labs since day one called it too much: labs in range on less of
        it lead no more up to it
    """

    original: Regimen
    wish: Wish
    day_one: int
    checkpoint: TargetDose | None
    taken: tuple[Dated, ...]
    today: Regimen
    planned: tuple[Dated, ...]
    climbing: bool
    in_range_before: bool = False
    beside: frozenset[Kind] = frozenset()
    beside_source: str = ""
    ends: tuple[tuple[str, int], ...] = ()
    changing: frozenset[str] = frozenset()
    too_much: tuple[Regimen, ...] = ()

    def supplied_for(self, key: str, days: int) -> bool:
        """Whether today's orders of a medicine give its dose for so many days, and no other."""
        return key not in self.changing and all(
            last >= days - 1 for ending, last in self.ends if ending == key
        )


@frozen
class Spell:
    """So many days on the same doses, by the preparations that orders are made from."""

    first_day: int
    days: int
    amounts: Amounts
    intake: ConstantIntake


def spells(
    dated: Iterable[Dated], products: Products, first_day: int, after_last: int
) -> tuple[Spell, ...]:
    """Dated amounts as one unbroken line of days, from the first up to but not `after_last`.

    What lies outside is cut off, where amounts overlap they add up, and what none covers is empty.
    """
    line: list[Spell] = []
    for each in unbroken(dated, first_day, after_last):
        begins, amounts = each.first_day, ordered_amounts(each.regimen, products)
        if line and line[-1].amounts == amounts:
            begins = line.pop().first_day
        days = each.last_day + 1 - begins
        period = ConstantIntake(days, total_intake(each.amounts))
        line.append(Spell(begins, days, amounts, period))
    return tuple(line)


def unbroken(dated: Iterable[Dated], first_day: int, after_last: int) -> Iterator[Dated]:
    """Dated amounts as one unbroken line of days, in the preparations in which they were read.

    What lies outside is cut off, where amounts overlap all of them stand, and what none covers is
    empty.
    """
    known = tuple(dated)
    inside = {day for d in known for day in (d.first_day, d.last_day + 1)}
    days = sorted({first_day, after_last} | {d for d in inside if first_day < d < after_last})
    for begins, ends in pairwise(days):
        taken = (pair for d in known if d.first_day <= begins <= d.last_day for pair in d.amounts)
        yield Dated(begins, ends - 1, tuple(taken))


@frozen
class Place:
    """Where in its plan a patient is.

    Attributes
    ----------
    steps : the plan as filed, without its gaps
    at : the step that is taken; -1 where it is yet to begin
    now : what is taken today
    had : for how many days it has been taken
    past : from day one to yesterday
    """

    steps: tuple[Spell, ...]
    at: int
    now: Amounts
    had: int
    past: tuple[Spell, ...]

    @property
    def waits(self) -> bool:
        """Whether the plan's last step, its hold, is taken, or no plan runs."""
        return self.at == len(self.steps) - 1

    @property
    def rest(self) -> int:
        """How many days of the step that is taken are still to come."""
        if self.at < 0:
            return 0
        step = self.steps[self.at]
        had = min(self.had, self._days(step.first_day, lambda amounts: amounts == self.now))
        return max(step.days - had, 0)

    @property
    def late(self) -> int:
        """By how many days what is still to come is moved; below 0 where it comes earlier."""
        if not self.steps:
            return 0
        current = self.steps[max(self.at, 0)]
        due = current.first_day + (current.days if self.at >= 0 else 0)
        return self.rest - due

    @property
    def to_come(self) -> tuple[Spell, ...]:
        """The steps after it."""
        return self.steps[self.at + 1 :]

    def supply_left(self, key: str) -> int:
        """For how many more days what the plan ordered of a medicine lasts at today's dose."""
        amount = self.now[key]
        run = [step for step in self.steps if step.amounts.get(key) == amount]
        if self.at < 0 or self.steps[self.at] not in run:
            return 0
        used = self._days(run[0].first_day, lambda amounts: amounts.get(key) == amount)
        return sum(step.days for step in run) - used

    def _days(self, since: int, taken: Callable[[Amounts], bool]) -> int:
        """On how many days since one of the plan's that was taken."""
        return sum(
            max(spell.first_day + spell.days - max(spell.first_day, since), 0)
            for spell in self.past
            if taken(spell.amounts)
        )


def place_of(
    underway: Underway, now: Amounts, products: Products, target_ids: Sequence[str], gap_days: int
) -> Place:
    """Find it by the doses taken today.

    Parameters
    ----------
    now : today's doses in the preparations that orders are made from
    target_ids : the medicines moved to
    gap_days : after so many days without hormone a step begins anew
    """
    past = spells(underway.taken, products, underway.day_one, 0)
    planned = underway.planned
    first = min((d.first_day for d in planned), default=0)
    last = max((d.last_day for d in planned), default=-1)
    filed = spells(planned, products, first, last + 1) if planned else ()
    steps = tuple(step for step in filed if step.amounts)
    return Place(steps, _at(steps, now, target_ids), now, _had(past, now, gap_days), past)


def _at(steps: Sequence[Spell], now: Amounts, target_ids: Sequence[str]) -> int:
    """The step whose doses are taken; of several, the one that is due or the nearest to it.

    Where a dose was changed by hand, the new medicines tell; where it is these that were changed,
    it is the last step in which none of them is above what is taken: from there no rise is larger
    than was planned.
    """
    due = sum(step.first_day <= 0 for step in steps) - 1

    def nearest(found: Iterable[int]) -> int | None:
        return min(found, key=lambda n: (abs(n - max(due, 0)), -n), default=None)

    def tells(amounts: Amounts) -> list[Fraction]:
        return [amounts.get(key, Fraction(0)) for key in climbing]

    ends = (steps[0].amounts, steps[-1].amounts) if steps else ({}, {})
    climbing = [key for key in target_ids if ends[0].get(key, 0) <= ends[1].get(key, 0)]
    mine, numbers = tells(now), range(len(steps))
    alike = nearest(n for n in numbers if steps[n].amounts == now)
    if alike is None:
        alike = nearest(n for n in numbers if tells(steps[n].amounts) == mine)
    if alike is not None:
        return alike
    below = (n for n in numbers if all(map(le, tells(steps[n].amounts), mine)))
    return max(below, default=-1)


def _had(past: Sequence[Spell], now: Amounts, gap_days: int) -> int:
    days = 0
    for spell in reversed(past):
        if spell.amounts == now:
            days += spell.days
        elif spell.amounts or spell.days >= gap_days:
            break
    return days
