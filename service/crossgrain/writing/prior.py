"""What happens to the orders that stand today: dated Tasks that end them."""

from collections.abc import Iterator, Sequence

from crossgrain.dosing.plan import Branch, DoseUse, OrderedCourse, Step
from crossgrain.dosing.supply import home_uses
from crossgrain.names.identity import urn
from crossgrain.reading.record import MedicineEntry
from crossgrain.words.doses import generic_name, product
from crossgrain.writing.at_home import TO_A_PHARMACY, home_line, home_supplies
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, Scope
from crossgrain.writing.narrative import paragraphs
from crossgrain.writing.orders import order_name

TASK_CODE = "http://hl7.org/fhir/CodeSystem/task-code"


def series_tasks(
    letter: Letterhead, steps: tuple[Step, ...], courses: tuple[OrderedCourse, ...]
) -> Iterator[Resource]:
    """Tasks for the old orders that end during the series."""
    yield from _ending(letter, SERIES, steps, courses, letter.proposal.record.current)


def branch_tasks(
    letter: Letterhead,
    scope: Scope,
    series: tuple[OrderedCourse, ...],
    branch: Branch,
    own: tuple[OrderedCourse, ...],
) -> Iterator[Resource]:
    """Tasks for what outlasts the series and ends in this branch.

    That is an old order which still stands, and an order of the series whose medicine the
    branch leaves out from its first day.

    Raises
    ------
    ValueError
        where the branch has no days: what it leaves undecided cannot be ordered.
    """
    if not branch.steps:
        raise ValueError(f"the branch {branch.reading} has no step")
    begins = branch.steps[0].first_day
    standing = [
        entry
        for entry in letter.proposal.record.current
        if _stands_until(entry, series, 0) == begins - 1
    ]
    yield from _ending(letter, scope, branch.steps, own, standing)
    for course in series:
        if course.last_day == begins - 1 and not _continues(
            own, course.line.preparation.id, begins
        ):
            yield from _left_out(letter, scope, course, begins)


def _ending(
    letter: Letterhead,
    scope: Scope,
    steps: Sequence[Step],
    courses: Sequence[OrderedCourse],
    entries: Sequence[MedicineEntry],
) -> Iterator[Resource]:
    for entry in entries:
        last = _stands_until(entry, courses, steps[0].first_day)
        if entry.lines and last < steps[-1].last_day:
            continues = _continues(courses, _medicine(entry), last + 1)
            says = task_words(letter, entry, last + 1, continues)
            ended = letter.plan.ended_products if letter.plan else frozenset()
            at_home = home_uses(home_supplies([entry]), steps, ended)
            says = " ".join((says, *(home_line(use, letter.words) for use in at_home)))
            yield _task(letter, scope, entry.reference, last + 1, says)


def _left_out(
    letter: Letterhead, scope: Scope, course: OrderedCourse, day: int
) -> Iterator[Resource]:
    for piece in course.line.tablets.pieces if course.line.tablets else ():
        says = (
            f"End the order for {product(course.line.preparation, piece.strength)}: from"
            f" {letter.words(day)} on it is not taken. {TO_A_PHARMACY}"
        )
        made = letter.plan.prescriptions if letter.plan else ()
        (ordered,) = (p for p in made if DoseUse(course, piece) in p.uses)
        name = order_name(SERIES, ordered)
        yield _task(letter, scope, urn(letter.id_of(name)), day, says)


def _medicine(entry: MedicineEntry) -> str:
    return entry.lines[0].preparation.id if entry.lines else ""


def _stands_until(entry: MedicineEntry, courses: Sequence[OrderedCourse], begins: int) -> int:
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


def _continues(courses: Sequence[OrderedCourse], medicine: str, day: int) -> bool:
    return any(
        course.first_day == day and course.line.preparation.id == medicine for course in courses
    )


def _task(letter: Letterhead, scope: Scope, focus: str, day: int, says: str) -> Resource:
    own = paragraphs((*scope.only_if, says))
    body = letter.request("Task", f"Task|{scope.name}|{focus}|{day}", scope, own)
    coding = {
        "system": TASK_CODE,
        "code": "abort",
        "display": "Mark the focal resource as no longer active",
    }
    body["code"] = {"coding": [coding], "text": "End the standing order"}
    body["description"] = says
    body["focus"] = {"reference": focus}
    body["note"] = letter.notes(*scope.only_if)
    body["restriction"] = {"period": {"start": letter.iso(day), "end": letter.iso(day)}}
    return body


def task_words(letter: Letterhead, entry: MedicineEntry, day: int, continues: bool) -> str:
    """What is ended and when the last dose is taken."""
    name = generic_name(entry.lines[0].preparation)
    if letter.plan and _medicine(entry) in letter.plan.ended_products:
        return (
            f"End {name} as taken now on {letter.words(day)}: the last day of that product is the"
            f" day before. From {letter.words(day)} the other product of {name} in this plan takes"
            " its place; never both on one day."
        )
    then = (
        f"From {letter.words(day)} the doses of this plan replace it."
        if continues
        else f"No {name} is taken from {letter.words(day)} on."
    )
    return (
        f"End {name} as taken now on {letter.words(day)}: the last day of that dose is the day"
        f" before. {then}"
    )
