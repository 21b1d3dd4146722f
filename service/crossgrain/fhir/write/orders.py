"""Courses of the plan as MedicationRequests, one per product."""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

from crossgrain.dosing.once import kept
from crossgrain.dosing.plan import Course, LineDose, Part
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.dosing.tablets import Piece
from crossgrain.fhir.read.code_tables import CodedDrug, CodeTables
from crossgrain.fhir.write.dosage import dispense, dosage
from crossgrain.fhir.write.letterhead import Letterhead, Prepared, Resource, Scope, own_notes
from crossgrain.fhir.write.narrative import paragraph
from crossgrain.fhir.write.series_mark import on_order, step_of
from crossgrain.fhir.write.wording import PARTS, Wording
from crossgrain.fhir.write.words import product

SUBSTITUTION = "http://terminology.hl7.org/CodeSystem/v3-substanceAdminSubstitution"
SAME_STRENGTH = (
    "Ordered by generic name: any maker's product of this strength serves, and the same maker's"
    " is best kept until the next labs. Another strength, another grain family or another"
    " hormone is another dose: ask the prescriber."
)


@dataclass(frozen=True, slots=True)
class Order(Prepared):
    """A request for one product over one course, but for whose it is.

    Attributes
    ----------
    medication : the product
    course, piece : what it orders
    replaces : whether orders for that medicine may stand already
    """

    medication: dict[str, Any]
    course: Course
    piece: Piece
    replaces: bool


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
    for order in _orders(letter.wording, scope, courses):
        yield _request(letter, scope, order)


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


def _request(letter: Letterhead, scope: Scope, order: Order) -> Resource:
    body = letter.request("MedicationRequest", order.name, scope, order.xhtml)
    preparation = order.course.line.preparation
    ordered = step_of(order.course, order.piece, *letter.steps_in(scope), letter.day_one)
    body["extension"] = on_order(ordered, preparation.unit, letter.series_parts)
    body["medicationCodeableConcept"] = order.medication
    if order.replaces:
        body.update(letter.replaced.get(preparation.id, {}))
    if letter.holds:
        body["detectedIssue"] = letter.holds
    body["note"] = letter.notes(order.notes)
    body.update(order.elements)
    return body


@kept(PARTS)
def _orders(wording: Wording, scope: Scope, courses: tuple[Course, ...]) -> tuple[Order, ...]:
    return tuple(
        _order(wording, scope, course, piece)
        for course in courses
        if course.line.tablets
        for piece in course.line.tablets.pieces
    )


def _order(wording: Wording, scope: Scope, course: Course, piece: Piece) -> Order:
    line = course.line
    instruction = dosage(wording, scope, course, piece)
    return Order(
        name=order_name(scope, course, piece),
        xhtml=paragraph(instruction["text"]) + (paragraph(line.note) if line.note else ""),
        medication=medication(wording.codes, line.preparation, piece),
        course=course,
        piece=piece,
        replaces=line.part is not Part.NEW,
        notes=own_notes(scope, line.note),
        elements={
            "dosageInstruction": [instruction],
            "dispenseRequest": dispense(course, piece),
            "substitution": _SUBSTITUTION,
        },
    )


def medication(codes: CodeTables, preparation: Preparation, piece: Piece) -> dict[str, Any]:
    """The product as text, with its verified code, or else the ingredient's."""
    strength = piece.strength
    return _medication(codes, preparation, strength.numerator, strength.denominator)


@lru_cache(maxsize=1024)
def _medication(
    codes: CodeTables, preparation: Preparation, numerator: int, denominator: int
) -> dict[str, Any]:
    strength = Fraction(numerator, denominator)
    known = codes.codes_for(preparation, strength)
    coded = known.drug or known.ingredient
    codings = [] if coded is None else [_coding(coded)]
    concept: dict[str, Any] = {"coding": codings} if codings else {}
    concept["text"] = product(preparation, strength)
    return concept


def _coding(coded: CodedDrug) -> dict[str, Any]:
    return {"system": coded.code.system, "code": coded.code.value, "display": coded.display}


_SUBSTITUTION = {
    "allowedCodeableConcept": {
        "coding": [{"system": SUBSTITUTION, "code": "G", "display": "generic composition"}],
        "text": SAME_STRENGTH,
    }
}
"""Generic for generic only.

A plain ``false`` would be read as dispense-as-written, which means nothing where no maker is
named, and a plain ``true`` would let another strength or family in.
"""
