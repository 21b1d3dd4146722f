"""Prescriptions and tablets at home: what to fetch for which days, and what becomes of the rest.

One prescription covers one product for one dispensing period. Steps share it only within that
period, and never past the next blood draw or decision: what comes after them may be changed.
"""

from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from fractions import Fraction
from itertools import groupby

from crossgrain.dosing.plan import LabDraw
from crossgrain.dosing.policy import Supply
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.steps import DoseUse, OrderedCourse, Prescription, Step
from crossgrain.names.values import frozen


@frozen
class HomeSupply:
    """One product that the patient has at home.

    `strength` is of one tablet, in the preparation's unit; ``None`` where the record does not
    say it, or where it is no tablet.
    """

    preparation: Preparation
    strength: Fraction | None = None


class Use(StrEnum):
    """How a supply is used during some days."""

    AS_NOW = "as-now"
    AS_ORDERED = "as-ordered"  # the steps order its strength, in another dose than now
    NOT_TAKEN = "not-taken"


class Fate(StrEnum):
    """What the steps make of a supply: exactly one for each."""

    GOES_ON = "goes-on"  # taken as now to the end of the steps
    CHANGES = "changes"  # taken to the end of the steps, but not as now
    KEPT = "kept"  # put away for a while, then taken again
    STOPS = "stops"  # from a day on not taken any more


@frozen
class Turn:
    """A day from which on a supply is used in another way than before."""

    first_day: int
    use: Use


@frozen
class HomeUse:
    """How one supply is used over the steps.

    Attributes
    ----------
    turns : each way of using it, the first from the first day of the steps
    replaced : where it is not taken in the end: whether other tablets of its medicine are from
        that very day
    exchanged : whether another product takes its place
    """

    supply: HomeSupply
    turns: tuple[Turn, ...]
    replaced: bool
    exchanged: bool = False

    @property
    def fate(self) -> Fate:
        """The same in one word; a supply that is kept may still be done with later."""
        idle = [number for number, turn in enumerate(self.turns) if turn.use is Use.NOT_TAKEN]
        if idle and idle[0] < len(self.turns) - 1:
            return Fate.KEPT
        if idle:
            return Fate.STOPS
        return Fate.GOES_ON if self.turns[-1].use is Use.AS_NOW else Fate.CHANGES


def home_uses(
    supplies: Iterable[HomeSupply], steps: Sequence[Step], ended: frozenset[str] = frozenset()
) -> tuple[HomeUse, ...]:
    """How each supply is used over consecutive steps.

    A tablet at home is the same as one handed out in its strength, so it serves wherever the
    steps order that strength. Where no strength is known, the medicine alone decides. `ended` are
    the product lines of which another product is ordered, by id.
    """
    return tuple(
        HomeUse(supply, (Turn(steps[0].first_day, Use.NOT_TAKEN),), replaced=False, exchanged=True)
        if supply.preparation.id in ended
        else _home_use(supply, steps)
        for supply in dict.fromkeys(supplies)
    )


def _home_use(supply: HomeSupply, steps: Sequence[Step]) -> HomeUse:
    turns = tuple(_turns(supply, steps))
    last = turns[-1]
    replaced = last.use is Use.NOT_TAKEN and any(
        line.preparation.id == supply.preparation.id
        for step in steps
        if step.first_day == last.first_day
        for line in step.lines
    )
    return HomeUse(supply, turns, replaced)


def _turns(supply: HomeSupply, steps: Sequence[Step]) -> Iterator[Turn]:
    for use, stretch in groupby(steps, key=lambda step: _use(supply, step)):
        yield Turn(next(stretch).first_day, use)


def _use(supply: HomeSupply, step: Step) -> Use:
    for line in step.lines:
        if line.preparation.id == supply.preparation.id:
            if line.tablets is None:
                return Use.AS_NOW
            ordered = {piece.strength for piece in line.tablets.pieces}
            if supply.strength is None or supply.strength in ordered:
                return Use.AS_ORDERED
    return Use.NOT_TAKEN


def prescriptions(
    courses: Sequence[OrderedCourse],
    supply: Supply,
    stops: Iterable[int],
    *,
    ends: int | None = None,
) -> tuple[Prescription, ...]:
    """The fewest prescriptions for some courses, by the day on which they are fetched.

    `stops` are the days of draws and decisions. What is still taken on the last of all days, or
    on the day `ends` where these are not all courses, gets the reserve, so that nobody runs out
    while a result is late.
    """
    if ends is None:
        ends = max((course.last_day for course in courses), default=0)
    stops = sorted(stops)
    made = [
        Prescription(
            uses[0].course.line.preparation,
            uses[0].piece.strength,
            uses,
            supply.reserve_days if uses[-1].course.last_day == ends else 0,
            supply.fetch_days,
        )
        for of_medicine in _by_medicine(courses)
        for period in _within(of_medicine, supply.dispensed_days, stops)
        for uses in _by_product(period)
    ]
    return tuple(sorted(made, key=lambda p: (p.first_day, p.preparation.id, -p.strength)))


def _by_medicine(courses: Iterable[OrderedCourse]) -> list[list[OrderedCourse]]:
    medicines: dict[str, list[OrderedCourse]] = {}
    for course in courses:
        if course.line.tablets:
            medicines.setdefault(course.line.preparation.id, []).append(course)
    return list(medicines.values())


def _by_product(courses: Iterable[OrderedCourse]) -> list[tuple[DoseUse, ...]]:
    products: dict[Fraction, list[DoseUse]] = {}
    for course in courses:
        for piece in course.line.tablets.pieces if course.line.tablets else ():
            products.setdefault(piece.strength, []).append(DoseUse(course, piece))
    return [tuple(uses) for uses in products.values()]


def _within(
    courses: Sequence[OrderedCourse], dispensed_days: int, stops: Sequence[int]
) -> Iterator[list[OrderedCourse]]:
    """Courses of one medicine whose tablets may be prescribed together.

    None of its products begins among them: all that is taken of the medicine on one day is
    then ordered on one day too, and no order has a gap.
    """
    together: list[OrderedCourse] = []
    for course in courses:
        if together and not _may_follow(course, together, dispensed_days, stops):
            yield together
            together = []
        together.append(course)
    if together:
        yield together


def _may_follow(
    course: OrderedCourse,
    together: Sequence[OrderedCourse],
    dispensed_days: int,
    stops: Sequence[int],
) -> bool:
    first, last = together[0], together[-1]
    return (
        course.first_day == last.last_day + 1
        and course.last_day < first.first_day + dispensed_days
        and not any(first.first_day < stop <= course.first_day for stop in stops)
        and _strengths(course) <= _strengths(last)
    )


def _strengths(course: OrderedCourse) -> set[Fraction]:
    return (
        {piece.strength for piece in course.line.tablets.pieces} if course.line.tablets else set()
    )


def draws(labs: Iterable[LabDraw]) -> tuple[int, ...]:
    """The days on which blood is drawn."""
    return tuple(sorted({day for draw in labs for day in draw.days}))
