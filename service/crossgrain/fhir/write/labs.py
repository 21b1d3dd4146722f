"""Blood draws as ServiceRequests, one per analyte."""

from collections.abc import Iterable, Iterator
from typing import Any

from crossgrain.dosing.plan import LabDraw
from crossgrain.fhir.write.dosage import SNOMED, concept
from crossgrain.fhir.write.letterhead import Letterhead, Resource, Scope
from crossgrain.fhir.write.narrative import paragraph, paragraphs

LOINC = "http://loinc.org"
ANALYTES = {
    "3016-3": "Thyrotropin [Units/volume] in Serum or Plasma",
    "3024-7": "Thyroxine (T4) free [Mass/volume] in Serum or Plasma",
    "3051-0": "Triiodothyronine (T3) Free [Mass/volume] in Serum or Plasma",
}
"""LOINC codes and their long common names, in the order they are asked for."""
BEFORE_DOSE = (
    "Have the blood drawn in the morning, before that morning's dose of thyroid medicine; take"
    " the dose afterwards."
)
"""T3 peaks 2-4 h after a dose (from memory), so a draw after it misleads."""
MAINTENANCE = "maintenance"


def service_requests(
    letter: Letterhead, scope: Scope, draws: Iterable[LabDraw]
) -> Iterator[Resource]:
    """Three requests per draw: TSH, free T4, free T3."""
    for draw in draws:
        about = [draw.statement, *not_steady(letter, draw)]
        says, notes = paragraphs(about), letter.notes(scope, *about)
        days, occurrence = lab_days(letter, draw), _occurrence(letter, draw)
        for code, name in ANALYTES.items():
            own = f"{scope.only_if_xhtml}{paragraph(f'{name}, {days}.')}{says}"
            what = f"ServiceRequest|{scope.name}|{draw.purpose}|{draw.day}|{code}"
            body = letter.request("ServiceRequest", what, scope, own)
            body["note"] = notes
            body["category"] = _LABORATORY
            body["code"] = _CODES[code]
            body.update(occurrence)
            body["patientInstruction"] = BEFORE_DOSE
            yield body


_LABORATORY = [concept(SNOMED, "108252007", "Laboratory procedure")]
_CODES = {code: {**concept(LOINC, code, name), "text": name} for code, name in ANALYTES.items()}


def _occurrence(letter: Letterhead, draw: LabDraw) -> dict[str, Any]:
    if draw.purpose == MAINTENANCE or draw.repeat_days:
        return {"occurrenceTiming": {"event": [letter.iso(day) for day in _days(draw)]}}
    return {"occurrenceDateTime": letter.iso(draw.day)}


def _days(draw: LabDraw) -> list[int]:
    return sorted({draw.day, *draw.repeat_days})


def lab_days(letter: Letterhead, draw: LabDraw) -> str:
    """The days of a draw, in words."""
    return ", ".join(letter.words(day) for day in _days(draw))


def not_steady(letter: Letterhead, draw: LabDraw) -> list[str]:
    """The date of the modelled steady state, where the draw comes before it."""
    steady = draw.modelled_steady_day
    if steady is None or draw.day >= steady:
        return []
    return [
        f"The model calls the levels steady from {letter.words(steady)} on: at this draw they"
        " are still moving."
    ]
