"""What labs have called too much since day one: labs in range on less lead back to none of it.

A visit that followed the branch of a low TSH has called what was taken then too much. A low TSH on
the way has done so for what it was drawn on, whatever the visit did about it: suppressed, on any
day; below the patient's limit, once the dose had been held for as long as labs wait for it. Drawn
earlier, a TSH that is only low may speak of the dose before, and the climb itself goes on from it.
A suppressed one counts even so: that keeps a later climb short of the dose, and raises nothing.
"""

from collections.abc import Iterator, Sequence

from crossgrain.core.course_so_far import MOVES_ON, CourseSoFar
from crossgrain.dosing.onward import Dated
from crossgrain.dosing.plan import TOO_MUCH
from crossgrain.dosing.regimens import Regimen
from crossgrain.safety.labs_since import low_tsh, steady_days
from crossgrain.safety.visit import LabsSay


def called_too_much(course: CourseSoFar, taken: Sequence[Dated]) -> Iterator[Regimen]:
    """The doses, old and new together, each of the day before the visit or the draw.

    Blood is drawn before the day's dose. Of a day on which nothing was taken labs say nothing.

    Parameters
    ----------
    taken : what was really taken from day one to yesterday
    """
    days = [*_visits(course), *_draws(course, taken)]
    doses = dict.fromkeys(_taken_on(day - 1, taken) for day in days)
    yield from (dose for dose in doses if dose.lines)


def _visits(course: CourseSoFar) -> Iterator[int]:
    """The days of visits at which labs led to less."""
    as_of = course.record.as_of
    yield from ((act.day - as_of).days for act in course.acts if act.reading in TOO_MUCH)


def _draws(course: CourseSoFar, taken: Sequence[Dated]) -> Iterator[int]:
    """The days of draws on the way to the checkpoint."""
    record, rules = course.record, course.catalogue.rules
    decided = [(a.day - record.as_of).days for a in course.acts if a.act in MOVES_ON]
    for day, low in low_tsh(record.facts, course.day_one + 1, rules):
        held = day - _held_since(day - 1, taken, course)
        if day < min(decided, default=1) and (
            low is LabsSay.VERY_LOW or held >= steady_days(record.facts, rules)
        ):
            yield day


def _taken_on(day: int, taken: Sequence[Dated]) -> Regimen:
    spells = (spell for spell in taken if spell.first_day <= day <= spell.last_day)
    return Regimen(tuple(line for spell in spells for line in spell.regimen.lines))


def _held_since(day: int, taken: Sequence[Dated], course: CourseSoFar) -> int:
    """The first day of the dose of a day, without a gap."""
    since, dose = day, course.doses(_taken_on(day, taken))
    begun = (spell for spell in taken if spell.first_day <= day)
    for spell in sorted(begun, key=lambda each: -each.last_day):
        if spell.last_day < since - 1 or course.doses(spell.regimen) != dose:
            break
        since = spell.first_day
    return since
