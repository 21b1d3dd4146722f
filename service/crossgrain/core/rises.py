"""Which filed orders of a plan raise a dose on a day to come, so that they can be made to wait.

A medicine rises on a day on which all that is filed of it makes more than is taken of it today. An
order that goes on from one day to the next raises it only where its own part grows; what another
order adds is that one's rise. An order for less than today's dose, or for as much,
is none of them.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.reading.filed import OVER
from crossgrain.reading.record import MarkedOrder
from crossgrain.reading.series_mark import OrderedStep


@dataclass(frozen=True, slots=True)
class _OrderByDay:
    """What one order gives by day, in µg of T4 and T3 together: enough within one medicine."""

    order: MarkedOrder
    step: OrderedStep
    preparation: Preparation

    def on(self, day: date) -> Fraction:
        """What it gives on a day."""
        doses = (dose for dose in self.step.doses if dose.first_day <= day <= dose.last_day)
        return sum((_micrograms(self.preparation, dose.daily) for dose in doses), Fraction(0))


def rises_ahead(
    marked: Iterable[MarkedOrder],
    today: Regimen,
    start: date,
    preparations: Mapping[str, Preparation],
) -> Iterator[tuple[MarkedOrder, date]]:
    """Each order that raises its medicine, with the first day on which it does.

    Parameters
    ----------
    marked : the orders of our plans that are meant to be followed
    today : what is taken
    start : the first day that is asked about
    """
    taken: dict[Kind, Fraction] = defaultdict(Fraction)
    for line in today:
        taken[line.preparation.kind] += _micrograms(line.preparation, line.daily)
    together: dict[tuple[str, Kind], dict[OrderedStep, _OrderByDay]] = defaultdict(dict)
    for one in marked:
        step = one.mark.ordered
        if step is not None and one.status not in OVER:
            course = _OrderByDay(one, step, preparations[step.preparation_id])
            together[one.mark.facts.plan_id, course.preparation.kind].setdefault(step, course)
    for (_, kind), courses in together.items():
        for course in courses.values():
            day = _rises_on(course, tuple(courses.values()), taken[kind], start)
            if day is not None:
                yield course.order, day


def _rises_on(
    own: _OrderByDay, beside: Sequence[_OrderByDay], taken: Fraction, start: date
) -> date | None:
    begins = {max(dose.first_day, start) for course in beside for dose in course.step.doses}
    for day in sorted(begins):
        more = own.on(day) > own.on(start) or (day == start and own.on(day))
        if more and sum(course.on(day) for course in beside) > taken:
            return day
    return None


def _micrograms(preparation: Preparation, daily: Fraction) -> Fraction:
    return preparation.t4_ug(daily) + preparation.t3_ug(daily)
