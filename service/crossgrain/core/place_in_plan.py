"""Which planned step today's dose is, and how far in the plan a visit stands."""

from collections.abc import Sequence
from fractions import Fraction

from crossgrain.catalogue import Catalogue
from crossgrain.core.course_so_far import CourseSoFar, Doses, ToBeAnswered, about_today
from crossgrain.dosing.onward import Act, Dated
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import TargetDose, dose_of
from crossgrain.names.printing import quantity
from crossgrain.names.values import frozen
from crossgrain.reading.record import Question
from crossgrain.safety.visit import Lateness, Position


@frozen
class StepToday:
    """Which of the planned steps today's dose is, from 1, and how that lies beside the dates."""

    step: int | None
    lateness: Lateness


def is_climbing(course: CourseSoFar, checkpoint: TargetDose) -> bool:
    """Whether some medicine of the target has yet to reach its dose at the checkpoint."""
    now = dose_of(course.record.regimen)
    doses = zip(now.amounts, checkpoint.amounts, strict=True)
    return any(taken < wanted for taken, wanted in doses)


def rises_after(course: CourseSoFar, to_come: Sequence[Dated]) -> bool:
    """Whether some medicine is to rise above today's dose in the steps after today's."""
    today = course.doses(course.record.regimen)
    return any(
        daily > today.get(key, Fraction(0))
        for one in to_come
        for key, daily in course.doses(one.regimen).items()
    )


def position_in(course: CourseSoFar, *, rises: bool) -> Position:
    """Where in the plan; see `visit.Position`. A step back waits for labs like a checkpoint.

    Parameters
    ----------
    rises : whether a dose is to rise yet, on the way to the checkpoint or in a branch after it
    """
    branches = [act.reading for act in course.acts if act.act is Act.BRANCH]
    if rises:
        return Position.CLIMB
    if branches[-2:] == [LabReading.IN_RANGE] * 2:
        return Position.MAINTENANCE
    if course.decided:
        return Position.AFTER
    return Position.NONE if course.facts is None or course.facts.titration else Position.WAITING


def step_today(
    course: CourseSoFar, planned: Sequence[Dated], original: Regimen, taken: Sequence[Dated]
) -> StepToday:
    """Which planned step today's dose is; a dose that is none of them is asked about.

    What was taken before day one is no step: it counts as late where nothing else was taken.
    """
    today = course.doses(course.record.regimen)
    if not today:
        return StepToday(None, Lateness.ON_TIME)
    slack = course.catalogue.visits.slack_days
    doses = [one.by_id for one in planned]
    alike = [number for number, dose in enumerate(doses) if dose == today]
    before = course.doses(original)
    begun = bool(course.acts) or any(course.doses(one.regimen) != before for one in taken)
    if not alike and today == before and not begun:
        late = planned[0].first_day < -slack
        return StepToday(None, Lateness.BEHIND if late else Lateness.ON_TIME)
    if not alike:
        raise ToBeAnswered(_another_dose(course, planned))
    number = min(alike, key=lambda each: _days_off(planned[each]))
    one = planned[number]
    if one.last_day < -slack and number < len(planned) - 1:
        return StepToday(number + 1, Lateness.BEHIND)
    ahead = one.first_day > slack
    return StepToday(number + 1, Lateness.AHEAD if ahead else Lateness.ON_TIME)


def _another_dose(course: CourseSoFar, planned: Sequence[Dated]) -> Question:
    meant = min(planned, key=_days_off)
    return Question(
        about_today(course.record),
        f"The record has {_said(course.doses(course.record.regimen), course.catalogue)} a day, and"
        f" the plan has {_said(meant.by_id, course.catalogue)}. Which is"
        " taken? If the dose was changed on purpose, record the plan's care plan as revoked and"
        " ask again: what is taken is then adjusted from there.",
    )


def _days_off(step: Dated) -> int:
    """How far a step lies from today."""
    return max(step.first_day, -step.last_day, 0)


def _said(doses: Doses, catalogue: Catalogue) -> str:
    lines = (
        f"{catalogue.preparations[key].kind.replace('-', ' ')}"
        f" {quantity(daily, catalogue.preparations[key].unit)}"
        for key, daily in sorted(doses.items())
    )
    return " and ".join(lines) or "no thyroid medicine"
