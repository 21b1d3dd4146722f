"""Dosage and dispense of one product over one course."""

from fractions import Fraction
from functools import lru_cache
from typing import Any

from crossgrain.dosing.plan import Course, LineDose
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.tablets import Piece
from crossgrain.fhir.read.codesystems import Snomed
from crossgrain.fhir.write.letterhead import Scope
from crossgrain.fhir.write.narrative import plain
from crossgrain.fhir.write.quantities import counted, exact_quantity
from crossgrain.fhir.write.wording import Wording
from crossgrain.fhir.write.words import amount, generic_name, product, tablets

DOSE_TYPE = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
EMPTY_STOMACH = "on an empty stomach, 4 hours apart from calcium, iron and antacids"
"""Levothyroxine and desiccated thyroid labels: these bind T4 in the gut."""
ORDERED, CALCULATED = "ordered", "calculated"
_OFTEN = {
    1: "once a day, in the morning",
    2: "twice a day, in the morning and at bedtime",  # ETA 2012, from memory
}


def dosage(wording: Wording, scope: Scope, course: Course, piece: Piece) -> dict[str, Any]:
    """`Dosage` of one product: words for the patient, the same as data for a machine."""
    line = course.line
    each = count_each(line, piece)
    instruction: dict[str, Any] = {
        "sequence": 1,
        "text": instruction_text(wording, scope, course, piece),
        "timing": {
            "repeat": {
                "boundsPeriod": {
                    "start": wording.iso(course.first_day),
                    "end": wording.iso(course.last_day),
                },
                "frequency": line.doses_per_day,
                "period": 1,
                "periodUnit": "d",
            }
        },
        "route": _by_mouth(),
        "doseAndRate": [_dose(ORDERED, "Ordered", exact_quantity(each, "{tbl}"))],
    }
    if line.preparation.t4_ug_per_unit:
        instruction["additionalInstruction"] = [_empty_stomach()]
    if line.preparation.kind is not Kind.FIXED_RATIO:  # two hormones have no one mass
        taken = piece.strength if each == 1 else each * piece.strength
        mass = exact_quantity(taken, line.preparation.unit)
        instruction["doseAndRate"].append(_dose(CALCULATED, "Calculated", mass))
    return instruction


def count_each(line: LineDose, piece: Piece) -> Fraction:
    """Tablets at each of the day's doses."""
    return piece.count if line.doses_per_day == 1 else piece.count / line.doses_per_day


def concept(system: str, code: str, display: str) -> dict[str, Any]:
    """A CodeableConcept of one code."""
    return {"coding": [{"system": system, "code": code, "display": display}]}


def _by_mouth() -> dict[str, Any]:
    return {**concept(Snomed.system, "26643006", "Oral route"), "text": "by mouth"}


def _empty_stomach() -> dict[str, Any]:
    coded = concept(Snomed.system, "717154004", "Take on an empty stomach")
    return {**coded, "text": f"Take {EMPTY_STOMACH}"}


def _dose(code: str, display: str, quantity: dict[str, Any]) -> dict[str, Any]:
    return {"type": concept(DOSE_TYPE, code, display), "doseQuantity": quantity}


def instruction_text(wording: Wording, scope: Scope, course: Course, piece: Piece) -> str:
    """What the patient does, from which day to which."""
    line = course.line
    each = count_each(line, piece)
    sentences = [
        _take(
            line.preparation,
            line.doses_per_day,
            *(piece.strength.numerator, piece.strength.denominator),
            *(each.numerator, each.denominator),
        ),
        f"From {wording.words(course.first_day)} to {wording.words(course.last_day)}.",
    ]
    if line.tablets and len(line.tablets.pieces) > 1:
        sentences.insert(1, _together(course, piece))
    if scope.condition:
        sentences.insert(0, f"Only if your prescriber tells you so ({scope.condition}).")
    return plain(" ".join((*sentences, *wording.instructions)))


@lru_cache(maxsize=2048)
def _take(preparation: Preparation, doses_per_day: int, *numbers: int) -> str:
    """What to take and how often: strength and tablets each as numerator and denominator."""
    strength, each = Fraction(*numbers[:2]), Fraction(*numbers[2:])
    often = _OFTEN.get(doses_per_day) or f"{doses_per_day} times a day"
    how = f", {EMPTY_STOMACH}" if preparation.t4_ug_per_unit else ""
    return f"{_capital(product(preparation, strength))}s: take {tablets(each)} {often}{how}."


def _together(course: Course, piece: Piece) -> str:
    line = course.line
    others = " and ".join(
        f"{tablets(count_each(line, other))} of {amount(line.preparation, other.strength)}"
        for other in (line.tablets.pieces if line.tablets else ())
        if other is not piece
    )
    whole = amount(line.preparation, line.amount)
    return (
        f"Take it together with {others}: {whole} of {generic_name(line.preparation)} a day in all."
    )


def dispense(course: Course, piece: Piece) -> dict[str, Any]:
    """Tablets for the whole course and no longer.

    A half tablet handed out is a whole one cut, so the quantity is rounded up.
    """
    needed = -(-piece.count.numerator * course.days // piece.count.denominator)
    return {
        "numberOfRepeatsAllowed": 0,
        "quantity": counted(needed, "{tbl}"),
        "expectedSupplyDuration": counted(course.days, "d"),
    }


def dispensed(course: Course) -> str:
    """The tablets to hand out, strength by strength; empty where the old supply goes on."""
    handed_out = course.line.tablets.pieces if course.line.tablets else ()
    return " + ".join(str(dispense(course, piece)["quantity"]["value"]) for piece in handed_out)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
