"""Prescriptions: which product, for which days, how many tablets, and when to fetch them.

One prescription covers one product for one dispensing period. Steps share it only within that
period, and never past the next blood draw or decision: what comes after them may be changed.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction

from crossgrain.dosing.plan import Course, DoseUse, LabDraw, Prescription
from crossgrain.dosing.policy import Supply


def prescriptions(
    courses: Sequence[Course], supply: Supply, stops: Iterable[int]
) -> tuple[Prescription, ...]:
    """The fewest prescriptions for some courses, by the day on which they are fetched.

    `stops` are the days of draws and decisions. What is still taken on the last of all days gets
    the reserve, so that nobody runs out while a result is late.
    """
    together = supply.dispensed_days if supply.steps_together else 0
    ends = max((course.last_day for course in courses), default=0)
    made = [
        Prescription(
            uses[0].course.line.preparation,
            uses[0].piece.strength,
            uses,
            supply.reserve_days if uses[-1].course.last_day == ends else 0,
        )
        for product in _by_product(courses)
        for uses in _within(product, together, sorted(stops))
    ]
    return tuple(sorted(made, key=lambda p: (p.first_day, p.preparation.id, -p.strength)))


def _by_product(courses: Iterable[Course]) -> list[list[DoseUse]]:
    products: dict[tuple[str, Fraction], list[DoseUse]] = {}
    for course in courses:
        for piece in course.line.tablets.pieces if course.line.tablets else ():
            key = course.line.preparation.id, piece.strength
            products.setdefault(key, []).append(DoseUse(course, piece))
    return list(products.values())


def _within(
    uses: Sequence[DoseUse], dispensed_days: int, stops: Sequence[int]
) -> Iterator[tuple[DoseUse, ...]]:
    """Uses of one product that one prescription may cover."""
    together: list[DoseUse] = []
    for use in uses:
        if together:
            first = together[0].course.first_day
            too_long = use.course.last_day >= first + dispensed_days
            past = any(first < stop <= use.course.first_day for stop in stops)
            if too_long or past:
                yield tuple(together)
                together = []
        together.append(use)
    if together:
        yield tuple(together)


def draws(labs: Iterable[LabDraw]) -> tuple[int, ...]:
    """The days on which blood is drawn."""
    return tuple(sorted({day for draw in labs for day in (draw.day, *draw.repeat_days)}))
