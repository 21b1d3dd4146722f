"""Which filed orders of a plan change a dose on a day to come, so that they can be made to wait.

A medicine rises or falls on a day on which all that is filed of it makes more or less than is taken
of it today. An order that goes on from one day to the next changes it only where its own part
does; what another order adds or leaves out is that one's change.

A fall waits with the rise that it makes room for: were it to come alone, the patient would be left
with too little hormone for as long as nobody answers. Where nothing of a plan rises any more, what
falls is the end of the old medicine, and stands.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.values import frozen
from crossgrain.reading.filed import OVER
from crossgrain.reading.record import MarkedOrder
from crossgrain.reading.series_mark import OrderedStep


@frozen
class DoseChange:
    """A medicine's change by one order.

    Attributes
    ----------
    order, step : the filed order, and what it orders
    day : the first day on which the medicine is more, or less, than today
    rises : more
    """

    order: MarkedOrder
    step: OrderedStep
    day: date
    rises: bool


@frozen
class _OrderByDay:
    """What one order gives by day, in µg of T4 and T3 together: enough within one medicine."""

    order: MarkedOrder
    step: OrderedStep
    preparation: Preparation

    def on(self, day: date) -> Fraction:
        """What it gives on a day."""
        doses = (dose for dose in self.step.doses if dose.first_day <= day <= dose.last_day)
        return sum((_micrograms(self.preparation, dose.daily) for dose in doses), Fraction(0))


def changes_ahead(
    marked: Iterable[MarkedOrder],
    today: Regimen,
    start: date,
    preparations: Mapping[str, Preparation],
) -> Iterator[DoseChange]:
    """The changes of each plan of which a dose is to rise yet: by each order its first.

    Parameters
    ----------
    marked : the orders of our plans that are meant to be followed
    today : what is taken
    start : the first day that is asked about
    """
    taken = _taken(today)
    for kinds in _plans(marked, preparations).values():
        found = [
            change
            for kind, courses in kinds.items()
            for own in courses.values()
            if (change := _change(own, tuple(courses.values()), taken[kind], start))
        ]
        if any(change.rises for change in found):
            yield from found


def orders_keep_up(
    kinds: Iterable[Kind],
    marked: Iterable[MarkedOrder],
    today: Regimen,
    day: date,
    preparations: Mapping[str, Preparation],
) -> bool:
    """Whether the orders of one plan give on a day as much of some medicines as is taken today.

    Where they do, what is taken today may end by that day: another product takes its place.
    """
    taken = _taken(today)
    return any(
        all(sum(course.on(day) for course in plan[kind].values()) == taken[kind] for kind in kinds)
        for plan in _plans(marked, preparations).values()
    )


_Plans = Mapping[str, Mapping[Kind, Mapping[OrderedStep, _OrderByDay]]]


def _plans(marked: Iterable[MarkedOrder], preparations: Mapping[str, Preparation]) -> _Plans:
    """What is filed of each plan, by medicine; what is filed twice once."""
    plans: dict[str, dict[Kind, dict[OrderedStep, _OrderByDay]]] = defaultdict(
        lambda: defaultdict(dict)
    )
    for one in marked:
        step = one.mark.ordered
        if step is not None and one.status not in OVER:
            course = _OrderByDay(one, step, preparations[step.preparation_id])
            plans[one.mark.facts.plan_id][course.preparation.kind].setdefault(step, course)
    return plans


def _taken(today: Regimen) -> Mapping[Kind, Fraction]:
    taken: dict[Kind, Fraction] = defaultdict(Fraction)
    for line in today:
        taken[line.preparation.kind] += _micrograms(line.preparation, line.daily)
    return taken


def _change(
    own: _OrderByDay, beside: Sequence[_OrderByDay], taken: Fraction, start: date
) -> DoseChange | None:
    begins = {max(dose.first_day, start) for course in beside for dose in course.step.doses}
    for day in sorted(begins):
        given, together = own.on(day), sum(course.on(day) for course in beside)
        if together > taken and (given > own.on(start) or (day == start and given)):
            return DoseChange(own.order, own.step, day, rises=True)
        anew = given != own.on(start) or own.step.first_day == day
        if given and together < taken and anew:
            return DoseChange(own.order, own.step, day, rises=False)
    return None


def _micrograms(preparation: Preparation, daily: Fraction) -> Fraction:
    return preparation.t4_ug(daily) + preparation.t3_ug(daily)
