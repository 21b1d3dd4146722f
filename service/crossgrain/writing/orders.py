"""Orders of the plan, what happens to those of today, and dated acts that findings want."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from fractions import Fraction
from typing import Any

from crossgrain.core.proposal import Outcome
from crossgrain.dosing.plan import Branch
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.dosing.steps import LineDose, OrderedCourse, Prescription, Step, SwitchPart
from crossgrain.dosing.supply import home_uses
from crossgrain.names.identity import urn
from crossgrain.reading.code_tables import CodedDrug, CodeTables
from crossgrain.reading.filed import ABORT, SUSPEND, TASK_CODE
from crossgrain.reading.record import MedicineEntry
from crossgrain.words.doses import product
from crossgrain.writing.at_home import SENTENCES, home_line, home_supplies, replacing
from crossgrain.writing.dosage import concept, dispense, instructions
from crossgrain.writing.elements import paragraphs, plain
from crossgrain.writing.going_on import Ended
from crossgrain.writing.interim import waits_for
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, Scope
from crossgrain.writing.series_mark import on_order, step_of

CATEGORY = "http://terminology.hl7.org/CodeSystem/medicationrequest-category"
"""Where it is taken: all that the plan says is for a patient at home."""
COURSE = "http://terminology.hl7.org/CodeSystem/medicationrequest-course-of-therapy"
SUBSTITUTION = "http://terminology.hl7.org/CodeSystem/v3-substanceAdminSubstitution"
SAME_STRENGTH = (
    "Ordered by generic name: any maker's product of this strength serves, and the same maker's"
    " is best kept until the next labs. Another strength, another grain family or another"
    " hormone is another dose: ask the prescriber."
)


def medication_requests(
    letter: Letterhead,
    scope: Scope,
    courses: tuple[OrderedCourse, ...],
    made: tuple[Prescription, ...],
) -> Iterator[Resource]:
    """Requests for every prescription of some courses.

    A course without tablets is the old medicine going on as it is taken now: its standing
    order is enough, until a Task ends it.
    """
    for course in courses:
        if course.line.tablets is None:
            check_as_taken(letter, course)
    for prescription in made:
        yield _request(letter, scope, prescription)


def check_as_taken(letter: Letterhead, course: OrderedCourse) -> None:
    """Make sure that a course without tablets is what the patient takes already.

    Raises
    ------
    ValueError
        where it is a dose that nobody takes: leaving out its order would be a silent error.
    """
    line = course.line
    taken = [old for old in letter.proposal.record.regimen if _same_medicine(old, line)]
    if sum(old.daily for old in taken) != line.amount:
        raise ValueError(f"{line.preparation.id} {line.amount} has no tablets and is not taken now")


def _same_medicine(old: DoseLine, line: LineDose) -> bool:
    return old.preparation.id == line.preparation.id


def order_name(scope: Scope, made: Prescription) -> str:
    """What the request for one prescription is called."""
    return f"MedicationRequest|{scope.name}|{made.preparation.id}|{made.strength}|{made.first_day}"


def _request(letter: Letterhead, scope: Scope, made: Prescription) -> Resource:
    wording, preparation = letter.wording, made.preparation
    taken = instructions(wording, scope, made)
    said = dict.fromkeys(use.course.line.note for use in made.uses if use.course.line.note)
    awaits = tuple(waits_for(letter, scope, made.first_day))
    waits = letter.waits(scope, made.last_day)
    own = paragraphs((*awaits, *(each["text"] for each in taken), *said))
    name = order_name(scope, made)
    body = letter.request("MedicationRequest", name, scope, own, waits=waits)
    ordered = step_of(made, *letter.steps_in(scope), letter.day_one)
    body["extension"] = on_order(ordered, preparation.unit, letter.series_parts)
    body["category"] = [concept(CATEGORY, "community", "Community")]
    body["medicationCodeableConcept"] = medication(wording.codes, preparation, made.strength)
    body["courseOfTherapyType"] = _course_of_therapy(letter, scope, preparation)
    exchanged = letter.plan and letter.plan.exchange
    if made.uses[0].course.line.part is not SwitchPart.NEW or exchanged or letter.going_on:
        body.update(replacing(letter.replaced.get(preparation.id, ())))
    if waits and (holds := letter.holds):
        body["detectedIssue"] = holds
    own_notes = (*scope.only_if, *awaits, *said, *_in_reserve(made))
    body["note"] = letter.notes(*own_notes, waits=waits)
    body["dosageInstruction"] = taken
    body["dispenseRequest"] = dispense(wording, made, _settled_on(letter, scope))
    body["substitution"] = _substitution()
    return body


def _course_of_therapy(letter: Letterhead, scope: Scope, medicine: Preparation) -> dict[str, Any]:
    """Long term where the plan still gives the medicine at its end, whatever the strength."""
    steps, _ = letter.steps_in(scope)
    at_the_end = (line.preparation.id for step in steps[-1:] for line in step.lines)
    goes_on = medicine.id in at_the_end
    coded = ("continuous", "Continuous long term therapy")
    return concept(COURSE, *(coded if goes_on else ("acute", "Short course (acute) therapy")))


def _settled_on(letter: Letterhead, scope: Scope) -> int:
    """The day of the plan from which its orders stand: of a branch that of the decision."""
    steps, branch = letter.steps_in(scope)
    return steps[0].first_day if branch and steps else letter.read_on


def _in_reserve(made: Prescription) -> Iterator[str]:
    if made.reserve_days:
        yield (
            f"The tablets reach {made.reserve_days} days further than the last dose written here,"
            " should the decision be late: until then that dose goes on."
        )


def medication(codes: CodeTables, preparation: Preparation, strength: Fraction) -> dict[str, Any]:
    """The product as text, with its verified code, or else the ingredient's."""
    known = codes.codes_for(preparation, strength)
    coded = known.drug or known.ingredient
    codings = [] if coded is None else [_coding(coded)]
    named: dict[str, Any] = {"coding": codings} if codings else {}
    named["text"] = product(preparation, strength)
    return named


def _coding(coded: CodedDrug) -> dict[str, Any]:
    return {"system": coded.code.system, "code": coded.code.value, "display": coded.display}


def _substitution() -> dict[str, Any]:
    """Generic for generic only.

    A plain ``false`` would be read as dispense-as-written, which means nothing where no maker is
    named, and a plain ``true`` would let another strength or family in.
    """
    allowed = concept(SUBSTITUTION, "G", "generic composition")
    return {"allowedCodeableConcept": {**allowed, "text": SAME_STRENGTH}}


def series_tasks(
    letter: Letterhead, steps: tuple[Step, ...], courses: tuple[OrderedCourse, ...]
) -> Iterator[Resource]:
    """Tasks for the old orders that end during the series, and for filed ones that do not go on."""
    ended = letter.going_on.ended if letter.going_on else ()
    apart = {order.reference for order in ended}
    if letter.going_on:
        apart |= letter.going_on.kept_references
    current = [
        entry
        for entry in letter.proposal.record.current
        if entry.reference not in apart and not (letter.going_on and _is_over(letter, entry))
    ]
    yield from _ending(letter, SERIES, steps, courses, current)
    yield from ended_orders(letter)
    yield from waiting_orders(letter)


def _is_over(letter: Letterhead, entry: MedicineEntry) -> bool:
    """Whether an order has ended by its own dates before the plan begins."""
    begins = (letter.day_one - letter.proposal.request.as_of).days
    return entry.last_day is not None and entry.last_day < begins


def ended_orders(letter: Letterhead) -> Iterator[Resource]:
    """Tasks for the filed orders that a next step leaves without a meaning."""
    for order in letter.going_on.ended if letter.going_on else ():
        yield _task(letter, SERIES, order.reference, 0, ended_words(letter, order))


def waiting_orders(letter: Letterhead) -> Iterator[Resource]:
    """Tasks for the filed orders that are not to change a dose for now.

    What gives today's dose until then is not suspended, since hormone would end by that: a person
    keeps its dose as it is.
    """
    for order in letter.going_on.waiting if letter.going_on else ():
        body = letter.request(
            "Task", f"Task|waiting|{order.reference}", SERIES, paragraphs([order.says])
        )
        code: Resource = {
            "text": "Keep the dose of this order" if order.goes_on else "Do not begin"
        }
        if not order.goes_on:
            display = "Suspend the focal resource"
            code["coding"] = [{"system": TASK_CODE, "code": SUSPEND, "display": display}]
        body["code"] = code
        body["description"] = order.says
        body["focus"] = {"reference": order.reference}
        body["note"] = letter.notes(waits=False)
        body["restriction"] = {"period": {"start": letter.iso(0), "end": order.by.isoformat()}}
        yield body


def ended_words(letter: Letterhead, order: Ended) -> str:
    """What is no longer meant, and from which day on."""
    if letter.proposal.outcome is Outcome.STOP:
        return (
            f"Withdraw the order for {order.product}, which has not begun: nothing rises before"
            " what stops it is settled. Do not fill it, and do not take from it."
        )
    if order.begun:
        return (
            f"End the order for {order.product} on {letter.words(0)}: the last day of it"
            " is the day before. This next step takes its place."
        )
    return (
        f"Withdraw the order for {order.product}, which has not begun: this next step takes its"
        " place. Do not fill it, and do not take from it."
    )


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
            f" {letter.words(day)} on it is not taken. {SENTENCES['to-a-pharmacy']}"
        )
        for reference in _orders_at_the_end(letter, course, piece.strength):
            yield _task(letter, scope, reference, day, says)


def _orders_at_the_end(
    letter: Letterhead, course: OrderedCourse, strength: Fraction
) -> Iterator[str]:
    """The orders that are followed on the last day of a course: new ones, or filed ones kept."""
    medicine = course.line.preparation.id
    for made in letter.plan.prescriptions if letter.plan else ():
        if (made.preparation.id, made.strength) == (medicine, strength) and any(
            use.course.last_day == course.last_day for use in made.uses
        ):
            yield urn(letter.id_of(order_name(SERIES, made)))
    if letter.going_on:
        last = letter.day_one + timedelta(course.last_day)
        yield from letter.going_on.kept_on((medicine, strength), last)


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
    own, waits = paragraphs((*scope.only_if, says)), letter.waits(scope, day)
    body = letter.request("Task", f"Task|{scope.name}|{focus}|{day}", scope, own, waits=waits)
    coding = {
        "system": TASK_CODE,
        "code": ABORT,
        "display": "Mark the focal resource as no longer active",
    }
    body["code"] = {"coding": [coding], "text": "End the standing order"}
    body["description"] = says
    body["focus"] = {"reference": focus}
    body["note"] = letter.notes(*scope.only_if, waits=waits)
    body["restriction"] = {"period": {"start": letter.iso(day), "end": letter.iso(day)}}
    return body


def task_words(letter: Letterhead, entry: MedicineEntry, day: int, continues: bool) -> str:
    """What is ended and when the last dose is taken."""
    name = entry.lines[0].preparation.generic_name
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


def dated_acts(letter: Letterhead) -> Iterator[Resource]:
    """One Task per finding that names an act and its day, whatever branch is followed by then."""
    for finding in letter.findings:
        if finding.act and finding.day is not None:
            on = letter.iso(finding.day)
            says = f"{letter.words(finding.day)}: {finding.act}. {finding.action}"
            own, waits = paragraphs([says]), letter.waits(SERIES, finding.day)
            body = letter.request("Task", f"Task|act|{finding.code}", SERIES, own, waits=waits)
            body["code"] = {"text": plain(finding.act)}
            body["description"] = plain(says)
            body["note"] = letter.notes(waits=waits)
            body["restriction"] = {"period": {"start": on, "end": on}}
            yield body
