"""Prescriptions: which product, for which days, how many tablets, and when to fetch them.

One prescription covers one product for one dispensing period. Steps share it only within that
period, and never past the next blood draw or decision: what comes after them may be changed.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction

from crossgrain.dosing.plan import DoseUse, LabDraw, OrderedCourse, Prescription
from crossgrain.dosing.policy import Supply


def prescriptions(
    courses: Sequence[OrderedCourse], supply: Supply, stops: Iterable[int]
) -> tuple[Prescription, ...]:
    """The fewest prescriptions for some courses, by the day on which they are fetched.

    `stops` are the days of draws and decisions. What is still taken on the last of all days gets
    the reserve, so that nobody runs out while a result is late.
    """
    ends = max((course.last_day for course in courses), default=0)
    stops = sorted(stops)
    made = [
        Prescription(
            uses[0].course.line.preparation,
            uses[0].piece.strength,
            uses,
            supply.reserve_days if uses[-1].course.last_day == ends else 0,
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
    return tuple(sorted({day for draw in labs for day in (draw.day, *draw.repeat_days)}))
