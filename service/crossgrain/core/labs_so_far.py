"""What the labs of a course say that no visit has answered, and when they are due."""

from collections.abc import Sequence
from enum import StrEnum

from crossgrain.core.course_so_far import CourseSoFar
from crossgrain.core.doses_so_far import dose_since
from crossgrain.dosing.onward import Act, Dated
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.underway import DrawnWhen
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte
from crossgrain.safety.labs_since import DoseHeld, LabsRead, labs_since
from crossgrain.safety.visit import LabsSay, Position, Precedence, VisitRow

_LOOKED_AT_NO_LABS = {Precedence.FINDING, Precedence.SCHEDULE}
_SPOKE_OF_LABS = {Precedence.LABS, Precedence.READING}
_MISSING: frozenset[StrEnum] = frozenset({LabsSay.DUE, LabsSay.OVERDUE})


def labs_read(course: CourseSoFar, position: Position, taken: Sequence[Dated]) -> LabsRead:
    """What the labs say that no visit has answered."""
    held = DoseHeld(
        position=position,
        not_answered_from=_labs_from(course),
        since=dose_since(course, taken),
        overdue=_overdue(course, position),
        due=_due(course, position),
        t3_may_rise=position is Position.CLIMB
        or course.heads_for.kinds[0] is not Kind.LEVOTHYROXINE,
    )
    return labs_since(course.record.facts, held, course.catalogue.rules)


def labs_due(course: CourseSoFar, position: Position) -> int | None:
    """The day on which labs are due where none has come; ``None`` where no plan runs."""
    if course.facts is None:
        return None
    policy = course.catalogue.policy
    if position is Position.CLIMB:
        drawn = [
            m.day
            for m in results.of(course.record.facts, Analyte.TSH)
            if m.day is not None and m.day > course.day_one
        ]
        drawn += [(a.day - course.record.as_of).days for a in course.acts if a.act is Act.BRANCH]
        return max(drawn, default=course.day_one) + policy.draws.apart_days
    return (course.facts.decision - course.record.as_of).days - policy.results_days


def _labs_from(course: CourseSoFar) -> int:
    """The first day whose labs no visit has answered: of day one they are the baseline.

    A visit that only went on by the plan's dates, held for a finding, or found no labs, answered
    none: a result may come after it that was drawn before it. One that has blood drawn at once
    reads that day's.
    """
    rows = {row.reason: row for row in course.catalogue.decisions if row.act is not Act.ASK}
    acts = [act for act in course.acts if not _read_none(rows.get(act.reason))]
    if not acts:
        return course.day_one + (1 if course.facts else 0)
    last, row = acts[-1], rows.get(acts[-1].reason)
    weighed = last.act in {Act.BRANCH, Act.STEP_BACK}
    weighed = weighed or (
        row is not None and row.stage in _SPOKE_OF_LABS and row.draw is not DrawnWhen.NOW
    )
    return (last.day - course.record.as_of).days + (1 if weighed else 0)


def _read_none(row: VisitRow | None) -> bool:
    """Whether a visit was answered by something else than labs, or since they were missing."""
    if row is None:
        return False
    missing = row.stage is Precedence.LABS and row.when.get("labs", frozenset(LabsSay)) <= _MISSING
    return row.stage in _LOOKED_AT_NO_LABS or missing


def _overdue(course: CourseSoFar, position: Position) -> bool:
    """Whether labs should have come by now; only asked where none has."""
    due = labs_due(course, position)
    return _held_for_labs(course) or due is None or due + course.catalogue.visits.overdue_days < 0


def _due(course: CourseSoFar, position: Position) -> bool:
    """Whether the draw that the plan waits for is due; one on the way has its own day."""
    due = None if position is Position.CLIMB else labs_due(course, position)
    return due is not None and due <= 0


def _held_for_labs(course: CourseSoFar) -> bool:
    """Whether the last visit held the dose for labs alone, for days that are over."""
    if not course.acts:
        return False
    last = course.acts[-1]
    holds = [
        row
        for row in course.catalogue.decisions
        if row.reason == last.reason and row.act is last.act is Act.HOLD
    ]
    day = (last.day - course.record.as_of).days
    return bool(holds) and all(
        row.draw is not None and row.hold_days is not None and day + row.hold_days <= 0
        for row in holds
    )
