"""Prescriptions of the plan as MedicationRequests."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from crossgrain.dosing.plan import LineDose, OrderedCourse, Prescription, SwitchPart
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.code_tables import CodedDrug, CodeTables
from crossgrain.words.doses import product
from crossgrain.writing.carried_over import replacing
from crossgrain.writing.dosage import concept, dispense, instructions
from crossgrain.writing.letterhead import Letterhead, Resource, Scope
from crossgrain.writing.narrative import paragraphs
from crossgrain.writing.series_mark import on_order, step_of

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
    own = paragraphs((*(each["text"] for each in taken), *said))
    body = letter.request("MedicationRequest", order_name(scope, made), scope, own)
    ordered = step_of(made, *letter.steps_in(scope), letter.day_one)
    body["extension"] = on_order(ordered, preparation.unit, letter.series_parts)
    body["medicationCodeableConcept"] = medication(wording.codes, preparation, made.strength)
    exchanged = letter.plan and letter.plan.exchange
    if made.uses[0].course.line.part is not SwitchPart.NEW or exchanged:
        body.update(replacing(letter.replaced.get(preparation.id, ())))
    if holds := letter.holds:
        body["detectedIssue"] = holds
    body["note"] = letter.notes(*scope.only_if, *said, *_in_reserve(made))
    body["dosageInstruction"] = taken
    body["dispenseRequest"] = dispense(made)
    body["substitution"] = _substitution()
    return body


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
