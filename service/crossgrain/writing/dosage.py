"""Dosage and dispense of one product over one course."""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import ceil
from typing import Any

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.steps import DoseUse, LineDose, OrderedCourse, Prescription
from crossgrain.dosing.tablets import DAYS_OF_WEEK, SHARED_WEEK, Piece
from crossgrain.reading.codesystems import Snomed
from crossgrain.words.doses import (
    TIMES_OF_DAY,
    amount,
    product,
    tablets,
    weekday_words,
)
from crossgrain.writing.elements import counted, exact_quantity, plain
from crossgrain.writing.letterhead import Scope, Wording

DOSE_TYPE = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
EMPTY_STOMACH = "on an empty stomach, 4 hours apart from calcium, iron and antacids"
"""Levothyroxine and desiccated thyroid labels: these bind T4 in the gut."""
ORDERED, CALCULATED = "ordered", "calculated"
_WHEN = {1: ("MORN",), 2: ("MORN", "HS"), 3: ("MORN", "AFT", "HS")}
"""HL7's event timing of the day's doses, as in `TIMES_OF_DAY`."""
_OFTEN = {1: "once a day", 2: "twice a day", 3: "three times a day"}


def instructions(wording: Wording, scope: Scope, made: Prescription) -> list[dict[str, Any]]:
    """`Dosage` of each step of one prescription, numbered as they follow one another.

    Of several each says first on which days it holds: read alone, none may pass for the whole.
    """
    turns = _turns(len(made.uses))
    return [
        dosage
        for sequence, (use, turn) in enumerate(zip(made.uses, turns, strict=True), start=1)
        for dosage in _dosages(wording, scope, sequence, use, turn)
    ]


def _turns(uses: int) -> list[str]:
    return [""] if uses == 1 else ["First", *["Then"] * (uses - 1)]


def _dosages(
    wording: Wording, scope: Scope, sequence: int, use: DoseUse, turn: str
) -> Iterator[dict[str, Any]]:
    """Words for the patient, the same as data for a machine.

    One, or one for each time of day where what is taken at them differs.
    """
    course, piece = use.course, use.piece
    line = course.line
    if line.week:
        days = weekdays_of(line, piece)
        often = {**_daily(1), "dayOfWeek": [DAYS_OF_WEEK[day] for day in days]}
        text = instruction_text(wording, scope, use, turn)
        yield _dosage(wording, sequence, course, often, text, piece, count_each(line, piece))
        return
    if not line.times:
        often = _daily(line.doses_per_day)
        text = instruction_text(wording, scope, use, turn)
        yield _dosage(wording, sequence, course, often, text, piece, count_each(line, piece))
        return
    for place, each in enumerate(line.counts(piece)):
        if each:
            when = _WHEN[line.doses_per_day][place]
            often = {**_daily(1), "when": [when]}
            text = instruction_text(wording, scope, use, turn, place)
            yield _dosage(wording, sequence, course, often, text, piece, each)
            turn = turn and "Also"  # the next dose of the same days


def _daily(doses: int) -> dict[str, Any]:
    """So many times a day, and at which times."""
    return {"frequency": doses, "period": 1, "periodUnit": "d", "when": list(_WHEN[doses])}


def _dosage(
    wording: Wording,
    sequence: int,
    course: OrderedCourse,
    often: dict[str, Any],
    text: str,
    piece: Piece,
    each: Fraction,
) -> dict[str, Any]:
    line = course.line
    bounds = {"start": wording.iso(course.first_day), "end": wording.iso(course.last_day)}
    instruction: dict[str, Any] = {
        "sequence": sequence,
        "text": text,
        "timing": {"repeat": {"boundsPeriod": bounds, **often}},
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
    """Tablets at each of the day's doses, where they are alike."""
    return line.counts(piece)[0]


def weekdays_of(line: LineDose, piece: Piece) -> tuple[int, ...]:
    """On which days of a shared week a product is taken, Monday the first."""
    return next(
        days
        for taken, days in zip(line.week, SHARED_WEEK, strict=True)
        if piece.strength in taken.strengths
    )


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


def instruction_text(
    wording: Wording, scope: Scope, use: DoseUse, turn: str = "", place: int | None = None
) -> str:
    """What the patient does, from which day to which.

    `turn` is how it stands among several of one order, empty where it stands alone. `place` is
    which of the day's doses it is about, where they differ.
    """
    course, piece, line = use.course, use.piece, use.course.line
    each = line.counts(piece)[place or 0]
    times = TIMES_OF_DAY[line.doses_per_day]
    often = _often(times) if place is None else times[place]
    if line.week:
        often = f"on {weekday_words(weekdays_of(line, piece))}, in the morning"
    take = _take(line.preparation, piece.strength, each, often)
    days = f"rom {wording.words(course.first_day)} to {wording.words(course.last_day)}"
    sentences = [
        f"Only if your prescriber tells you so ({scope.condition})." if scope.condition else "",
        f"{turn}, f{days}: {take}" if turn else _capital(take),
        _together(line, piece, place),
        "" if turn else f"F{days}.",
    ]
    return plain(" ".join((*filter(None, sentences), *wording.instructions)))


def _often(times: Sequence[str]) -> str:
    *others, last = times
    at = f"{', '.join(others)} and {last}" if others else last
    return f"{_OFTEN[len(times)]}, {at}"


def _take(preparation: Preparation, strength: Fraction, each: Fraction, often: str) -> str:
    """What to take, how many tablets at each dose, and how often."""
    how = f", {EMPTY_STOMACH}" if preparation.t4_ug_per_unit else ""
    return f"{product(preparation, strength)}s: take {tablets(each)} {often}{how}."


def _together(line: LineDose, piece: Piece, place: int | None) -> str:
    """What is taken with it at the same time, and what the day's dose is."""
    if line.week:
        return _on_the_other_days(line, piece)
    others = " and ".join(
        f"{tablets(count)} of {amount(line.preparation, other.strength)}"
        for other in (line.tablets.pieces if line.tablets else ())
        if other.strength != piece.strength and (count := line.counts(other)[place or 0])
    )
    if not others and place is None:
        return ""
    whole = f"{amount(line.preparation, line.amount)} of {line.preparation.generic_name}"
    if not others:
        return f"The whole day's dose is {whole}."
    return f"Take it together with {others}: {whole} a day in all."


def _on_the_other_days(line: LineDose, piece: Piece) -> str:
    """What is taken on the days of the week that are not this product's, and what all come to."""
    preparation = line.preparation
    ((other, each),) = (
        (other, line.counts(other)[0])
        for other in (line.tablets.pieces if line.tablets else ())
        if other.strength != piece.strength
    )
    return (
        f"On the other days take {tablets(each)} of {amount(preparation, other.strength)}"
        f" instead: {amount(preparation, line.amount * 7)} of {preparation.generic_name} a week in"
        " all."
    )


def dispense(wording: Wording, prescription: Prescription, settled_on: int) -> dict[str, Any]:
    """Tablets for the whole prescription, its reserve included, and no longer.

    It may be dispensed from shortly before its first dose to the day of its last: no step is
    fetched weeks ahead of labs that may change it, and none once the plan has left it behind.
    Nor is it before `settled_on`: the day of the plan on which the record was read, for the order
    of a branch that of the decision.
    """
    return {
        "validityPeriod": {
            "start": wording.iso(max(prescription.fetched_from, settled_on)),
            "end": wording.iso(prescription.last_day),
        },
        "numberOfRepeatsAllowed": 0,
        "quantity": counted(prescription.tablets, "{tbl}"),
        "expectedSupplyDuration": counted(prescription.days, "d"),
    }


def needed(course: OrderedCourse) -> str:
    """The tablets that a course takes, strength by strength; empty where the old supply goes on.

    Half a tablet is a whole one cut, so the number is rounded up.
    """
    pieces = course.line.tablets.pieces if course.line.tablets else ()
    return " + ".join(str(ceil(DoseUse(course, p).taken_in(course.days))) for p in pieces)


def fetched(wording: Wording, made: Prescription) -> tuple[str, str, str, str]:
    """A prescription as a line of the pharmacy list: fetched by, product, tablets, lasts until."""
    return (
        wording.words(made.first_day),
        product(made.preparation, made.strength),
        str(made.tablets),
        wording.words(made.first_day + made.days - 1),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
