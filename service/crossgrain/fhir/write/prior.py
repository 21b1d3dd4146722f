"""What happens to the orders that stand today: dated Tasks that end them."""

from collections.abc import Iterator

from crossgrain.dosing.plan import Course
from crossgrain.fhir.read.record import MedicineEntry
from crossgrain.fhir.write.letterhead import SERIES, Letterhead, Resource, Scope
from crossgrain.fhir.write.words import generic_name

TASK_CODE = "http://hl7.org/fhir/CodeSystem/task-code"


def series_tasks(letter: Letterhead, courses: tuple[Course, ...]) -> Iterator[Resource]:
    """Tasks for the old orders that end during the series."""
    yield from _ending(letter, SERIES, courses, letter.proposal.record.current, 0)


def branch_tasks(
    letter: Letterhead, scope: Scope, series: tuple[Course, ...], branch: tuple[Course, ...]
) -> Iterator[Resource]:
    """Tasks for the old orders that outlast the series and end in this branch.

    Raises
    ------
    ValueError
        where the branch holds no dose: what it leaves undecided cannot be ordered.
    """
    begins = min(course.first_day for course in branch)
    standing = [
        entry
        for entry in letter.proposal.record.current
        if _stands_until(entry, series, 0) == begins - 1
    ]
    yield from _ending(letter, scope, branch, standing, begins)


def _ending(
    letter: Letterhead,
    scope: Scope,
    courses: tuple[Course, ...],
    entries: tuple[MedicineEntry, ...] | list[MedicineEntry],
    begins: int,
) -> Iterator[Resource]:
    ends = max(course.last_day for course in courses)
    for entry in entries:
        last = _stands_until(entry, courses, begins)
        if entry.lines and last < ends:
            yield _task(letter, scope, entry, last + 1, _continues(entry, courses, last + 1))


def _medicine(entry: MedicineEntry) -> str:
    return entry.lines[0].preparation.id if entry.lines else ""


def _stands_until(entry: MedicineEntry, courses: tuple[Course, ...], begins: int) -> int:
    """The last day on which the old order itself is followed; the day before if none.

    Raises
    ------
    ValueError
        where a plan returns to an order that it has ended.
    """
    standing = begins - 1
    for course in courses:
        if course.line.preparation.id == _medicine(entry) and course.line.tablets is None:
            if course.first_day != standing + 1:
                raise ValueError(f"day {course.first_day} goes back to an order already ended")
            standing = course.last_day
    return standing


def _continues(entry: MedicineEntry, courses: tuple[Course, ...], day: int) -> bool:
    return any(
        course.first_day == day and course.line.preparation.id == _medicine(entry)
        for course in courses
    )


def _task(
    letter: Letterhead, scope: Scope, entry: MedicineEntry, day: int, continues: bool
) -> Resource:
    says = task_words(letter, entry, day, continues)
    what = f"Task|{scope.name}|{entry.reference}|{day}"
    body = letter.request("Task", what, scope, [*scope.only_if, says])
    coding = {
        "system": TASK_CODE,
        "code": "abort",
        "display": "Mark the focal resource as no longer active",
    }
    body["code"] = {"coding": [coding], "text": "End the standing order"}
    body["description"] = says
    body["focus"] = {"reference": entry.reference}
    body["note"] = letter.notes(scope)
    body["restriction"] = {"period": {"start": letter.iso(day), "end": letter.iso(day)}}
    return body


def task_words(letter: Letterhead, entry: MedicineEntry, day: int, continues: bool) -> str:
    """What is ended and when the last dose is taken."""
    name = generic_name(entry.lines[0].preparation)
    then = (
        f"From {letter.words(day)} the doses of this plan replace it."
        if continues
        else f"No {name} is taken from {letter.words(day)} on."
    )
    return (
        f"End {name} as taken now on {letter.words(day)}: the last dose from that supply is the"
        f" day before. {then}"
    )
