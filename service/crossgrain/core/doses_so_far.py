"""What was really taken until a visit, and since when today's dose is taken.

What cannot be told is asked, by FHIRPath; nothing is assumed of a dose.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from crossgrain.core.course_so_far import CourseSoFar, ToBeAnswered
from crossgrain.core.running import place_of
from crossgrain.core.visiting import missed_days
from crossgrain.dosing.onward import Dated
from crossgrain.reading.record import MedicineEntry, Question
from crossgrain.screening.course import DoseRun, Undecided
from crossgrain.screening.stretches import stretches_apart

_NOT_TOLD = "What was taken cannot be told with certainty: {why} Which doses were taken, and when?"
_A_STEP = (
    "What is taken now is no combination that a move leads to, and was neither taken nor is it"
    " ordered for {days} days: it may be a step of a move. Is a move from one medicine to the other"
    " under way? Then give its plan (`plan`); else record for how long this dose is meant. One that"
    " is ordered for {days} days or more, or without an end, counts as a dose of its own."
)


def spells_taken(course: CourseSoFar, history: Sequence[DoseRun] | Undecided) -> tuple[Dated, ...]:
    """What was really taken from day one to yesterday; a last dose goes on until today.

    What is in doubt is asked about. Where no plan runs pools begin at today's dose, so a doubt
    that ended before labs could speak of it is left behind, with what was taken before it.
    """
    if not course.record.regimen.lines and isinstance(history, Undecided):
        return ()  # that nothing is taken now is what is asked about
    if isinstance(history, Undecided):
        raise ToBeAnswered(*_not_told(course, history))
    try:
        stretches = stretches_apart(history, course.catalogue.limits)
    except Undecided as undecided:
        return spells_taken(course, undecided)
    dated: list[Dated] = []
    for stretch in stretches:
        first, last = max(stretch.first_day, course.day_one), min(stretch.last_day, -1)
        if first > last:
            continue
        if stretch.doubt and course.facts is None and last < -_speaks_after(course):
            dated.clear()
            continue
        if stretch.doubt:
            raise ToBeAnswered(*_not_told(course, Undecided(stretch.doubt, stretch.references)))
        dated.append(Dated.of(first, last, stretch.regimen))
    return tuple(_without_missed(course, _to_yesterday(course, dated)))


def dose_since(course: CourseSoFar, taken: Sequence[Dated]) -> int | None:
    """The first day of today's dose without a gap; ``None`` where the record does not say."""
    today, since = course.doses(course.record.regimen), None
    next_day = 0
    for one in sorted(taken, key=lambda each: -each.last_day):
        if one.last_day < next_day - 1 or course.doses(one.regimen) != today:
            break
        since = next_day = one.first_day
    if since is None:
        changed = course.record.facts.regimen_changed_days_ago
        return 0 if taken else (None if changed is None else -changed)
    return None if since <= course.day_one and course.facts is None else since


def check_kept(course: CourseSoFar, taken: Sequence[Dated]) -> None:
    """Ask about a mixture that no move leads to, unless it is a dose to keep.

    That is one that was taken, or is ordered, for as long as labs wait for a dose; what is
    taken or ordered for less may be a step of a move whose plan is not known here.
    """
    since, days = dose_since(course, taken), _speaks_after(course)
    if not course.beside or since is None or since <= -days:
        return
    short = [each for each in course.record.current if not _is_ordered_for(each, days)]
    if short:
        raise ToBeAnswered(*(Question(each.path, _A_STEP.format(days=days)) for each in short))


def _is_ordered_for(entry: MedicineEntry, days: int) -> bool:
    """Whether today's dose goes on without an end, or is ordered for so many days in all."""
    today = [s for s in entry.by_date if (s.first_day or 0) <= 0 <= (s.last_day or 0)]
    return bool(today) and all(
        s.last_day is None or s.last_day - (s.first_day or 0) + 1 >= days for s in today
    )


def _speaks_after(course: CourseSoFar) -> int:
    """Days after which labs speak of a dose, and no longer of the one before."""
    return course.catalogue.policy.lab_wait_days


def _not_told(course: CourseSoFar, undecided: Undecided) -> Iterator[Question]:
    why = undecided.reason.rstrip(".?") + "."
    places = [place_of(course.record, reference) for reference in undecided.references]
    for place in dict.fromkeys(places or [course.record.root]):
        yield Question(place, _NOT_TOLD.format(why=why))


def _to_yesterday(course: CourseSoFar, dated: Sequence[Dated]) -> Iterator[Dated]:
    """The same, the last dose until yesterday where it counts as taken today."""
    yield from dated
    last = max((one.last_day for one in dated), default=None)
    if last is not None and last < -1 and course.record.regimen.lines and _carried(course):
        yield Dated.of(last + 1, -1, course.record.regimen)


def _carried(course: CourseSoFar) -> bool:
    """Whether what counts as taken today ended before it: the next order is not signed yet."""
    return all(entry.last_day is not None and entry.last_day < 0 for entry in course.record.current)


def _without_missed(course: CourseSoFar, dated: Iterator[Dated]) -> Iterator[Dated]:
    """Without the days that the patient says were missed, where they were a week or more."""
    missed = missed_days(course.record.facts, course.since, course.catalogue.rules)
    said_on = max((m.day for m in course.record.facts.missed if m.day is not None), default=0)
    first = said_on - missed
    for one in dated:
        if missed < course.catalogue.visits.gap_days or one.last_day < first:
            yield one
            continue
        if one.first_day < first:
            yield replace(one, last_day=first - 1)
        if one.last_day >= said_on:
            yield replace(one, first_day=max(one.first_day, said_on))
