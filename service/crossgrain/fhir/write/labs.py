"""Blood draws as ServiceRequests, one per analyte."""

from collections.abc import Iterable, Iterator
from typing import Any

from crossgrain.dosing.plan import LabDraw
from crossgrain.fhir.write.dosage import SNOMED
from crossgrain.fhir.write.letterhead import Letterhead, Resource, Scope

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
        days = lab_days(letter, draw)
        for code, name in ANALYTES.items():
            says = [*scope.only_if, f"{name}, {days}.", *about]
            what = f"ServiceRequest|{scope.name}|{draw.purpose}|{draw.day}|{code}"
            body = letter.request("ServiceRequest", what, scope, says)
            body["note"] = letter.notes(scope, *about)
            yield _asked(letter, draw, code, body)


def _asked(letter: Letterhead, draw: LabDraw, code: str, body: Resource) -> Resource:
    body["category"] = [{"coding": [_coding(SNOMED, "108252007", "Laboratory procedure")]}]
    body["code"] = {"coding": [_coding(LOINC, code, ANALYTES[code])], "text": ANALYTES[code]}
    body.update(_occurrence(letter, draw))
    body["patientInstruction"] = BEFORE_DOSE
    return body


def _coding(system: str, code: str, display: str) -> dict[str, Any]:
    return {"system": system, "code": code, "display": display}


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
