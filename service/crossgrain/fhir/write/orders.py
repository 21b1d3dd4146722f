"""Courses of the plan as MedicationRequests, one per product."""

from collections.abc import Iterator
from typing import Any

from crossgrain.dosing.plan import Course, LineDose, Part
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.dosing.tablets import Piece
from crossgrain.fhir.read.code_tables import CodedDrug, CodeTables
from crossgrain.fhir.write.carried_over import replacing
from crossgrain.fhir.write.dosage import concept, dispense, dosage
from crossgrain.fhir.write.letterhead import Letterhead, Resource, Scope
from crossgrain.fhir.write.narrative import paragraph
from crossgrain.fhir.write.series_mark import on_order, step_of
from crossgrain.fhir.write.words import product

SUBSTITUTION = "http://terminology.hl7.org/CodeSystem/v3-substanceAdminSubstitution"
SAME_STRENGTH = (
    "Ordered by generic name: any maker's product of this strength serves, and the same maker's"
    " is best kept until the next labs. Another strength, another grain family or another"
    " hormone is another dose: ask the prescriber."
)


def medication_requests(
    letter: Letterhead, scope: Scope, courses: tuple[Course, ...]
) -> Iterator[Resource]:
    """Requests for every course that needs an order.

    A course without tablets is the old medicine going on as it is taken now: its standing
    order is enough, until a Task ends it.
    """
    for course in courses:
        if course.line.tablets is None:
            check_as_taken(letter, course)
            continue
        for piece in course.line.tablets.pieces:
            yield _request(letter, scope, course, piece)


def check_as_taken(letter: Letterhead, course: Course) -> None:
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


def order_name(scope: Scope, course: Course, piece: Piece) -> str:
    """What the request for one product over one course is called."""
    return (
        f"MedicationRequest|{scope.name}|{course.line.preparation.id}|{piece.strength}"
        f"|{course.first_day}"
    )


def _request(letter: Letterhead, scope: Scope, course: Course, piece: Piece) -> Resource:
    line = course.line
    instruction = dosage(letter.wording, scope, course, piece)
    own = paragraph(instruction["text"]) + (paragraph(line.note) if line.note else "")
    body = letter.request("MedicationRequest", order_name(scope, course, piece), scope, own)
    ordered = step_of(course, piece, *letter.steps_in(scope), letter.day_one)
    body["extension"] = on_order(ordered, line.preparation.unit, letter.series_parts)
    body["medicationCodeableConcept"] = medication(letter.wording.codes, line.preparation, piece)
    if line.part is not Part.NEW:
        body.update(replacing(letter.replaced.get(line.preparation.id, ())))
    if holds := letter.holds:
        body["detectedIssue"] = holds
    body["note"] = letter.notes(*scope.only_if, line.note)
    body["dosageInstruction"] = [instruction]
    body["dispenseRequest"] = dispense(course, piece)
    body["substitution"] = _substitution()
    return body


def medication(codes: CodeTables, preparation: Preparation, piece: Piece) -> dict[str, Any]:
    """The product as text, with its verified code, or else the ingredient's."""
    strength = piece.strength
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
