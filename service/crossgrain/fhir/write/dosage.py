"""Dosage and dispense of one product over one course."""

from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import Any

from crossgrain.dosing.plan import Course, LineDose
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.tablets import Piece
from crossgrain.fhir.write.letterhead import Letterhead, Scope
from crossgrain.fhir.write.narrative import plain
from crossgrain.fhir.write.quantities import exact, quantity
from crossgrain.fhir.write.words import amount, generic_name, product, tablets

SNOMED = "http://snomed.info/sct"
DOSE_TYPE = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
EMPTY_STOMACH = "on an empty stomach, 4 hours apart from calcium, iron and antacids"
"""Levothyroxine and desiccated thyroid labels: these bind T4 in the gut."""
ORDERED, CALCULATED = "ordered", "calculated"
_OFTEN = {
    1: "once a day, in the morning",
    2: "twice a day, in the morning and at bedtime",  # ETA 2012, from memory
}


def dosage(letter: Letterhead, scope: Scope, course: Course, piece: Piece) -> dict[str, Any]:
    """`Dosage` of one product: words for the patient, the same as data for a machine."""
    line = course.line
    each = count_each(line, piece)
    instruction: dict[str, Any] = {
        "sequence": 1,
        "text": instruction_text(letter, scope, course, piece),
        "timing": {
            "repeat": {
                "boundsPeriod": {
                    "start": letter.iso(course.first_day),
                    "end": letter.iso(course.last_day),
                },
                "frequency": line.doses_per_day,
                "period": 1,
                "periodUnit": "d",
            }
        },
        "route": {
            "coding": [{"system": SNOMED, "code": "26643006", "display": "Oral route"}],
            "text": "by mouth",
        },
        "doseAndRate": [
            _typed(ORDERED, "Ordered", quantity(exact(each), "{tbl}")),
        ],
    }
    if line.preparation.t4_ug_per_unit:
        instruction["additionalInstruction"] = [_empty_stomach()]
    if line.preparation.kind is not Kind.FIXED_RATIO:  # two hormones have no one mass
        mass = quantity(exact(each * piece.strength), line.preparation.unit)
        instruction["doseAndRate"].append(_typed(CALCULATED, "Calculated", mass))
    return instruction


def count_each(line: LineDose, piece: Piece) -> Fraction:
    """Tablets at each of the day's doses."""
    return piece.count if line.doses_per_day == 1 else piece.count / line.doses_per_day


def _typed(code: str, display: str, dose: dict[str, Any]) -> dict[str, Any]:
    coding = {"system": DOSE_TYPE, "code": code, "display": display}
    return {"type": {"coding": [coding]}, "doseQuantity": dose}


def _empty_stomach() -> dict[str, Any]:
    coding = {"system": SNOMED, "code": "717154004", "display": "Take on an empty stomach"}
    return {"coding": [coding], "text": f"Take {EMPTY_STOMACH}"}


def instruction_text(letter: Letterhead, scope: Scope, course: Course, piece: Piece) -> str:
    """What the patient does, from which day to which."""
    line = course.line
    often = _OFTEN.get(line.doses_per_day) or f"{line.doses_per_day} times a day"
    how = f", {EMPTY_STOMACH}" if line.preparation.t4_ug_per_unit else ""
    sentences = [
        f"{_capital(product(line.preparation, piece.strength))}s: take"
        f" {tablets(count_each(line, piece))} {often}{how}.",
        f"From {letter.words(course.first_day)} to {letter.words(course.last_day)}.",
    ]
    if line.tablets and len(line.tablets.pieces) > 1:
        sentences.insert(1, _together(course, piece))
    if scope.condition:
        sentences.insert(0, f"Only if your prescriber tells you so ({scope.condition}).")
    sentences += dict.fromkeys(f.instruction for f in letter.findings if f.instruction)
    return plain(" ".join(sentences))


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
    needed: Fraction = piece.count * course.days
    return {
        "numberOfRepeatsAllowed": 0,
        "quantity": quantity(Decimal(ceil(needed)), "{tbl}"),
        "expectedSupplyDuration": quantity(Decimal(course.days), "d"),
    }


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
