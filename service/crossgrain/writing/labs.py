"""Blood draws as ServiceRequests, one per analyte."""

from collections.abc import Iterator
from typing import Any

from crossgrain.dosing.plan import LabDraw
from crossgrain.reading.codesystems import Loinc, Snomed
from crossgrain.writing.dosage import concept
from crossgrain.writing.letterhead import Letterhead, Resource, Scope
from crossgrain.writing.narrative import paragraphs
from crossgrain.writing.wording import Wording

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
    letter: Letterhead, scope: Scope, draws: tuple[LabDraw, ...]
) -> Iterator[Resource]:
    """Three requests per draw: TSH, free T4, free T3."""
    for draw in draws:
        for code in ANALYTES:
            yield _request(letter, scope, draw, code)


def _request(letter: Letterhead, scope: Scope, draw: LabDraw, code: str) -> Resource:
    wording, name = letter.wording, ANALYTES[code]
    about = (draw.statement, *not_steady(wording, draw))
    what = f"{name}, {lab_days(wording, draw)}."
    body = letter.request(
        "ServiceRequest",
        f"ServiceRequest|{scope.name}|{draw.purpose}|{draw.day}|{code}",
        scope,
        paragraphs((*scope.only_if, what, *about)),
    )
    body["note"] = letter.notes(*scope.only_if, *about)
    body["category"] = [concept(Snomed.system, "108252007", "Laboratory procedure")]
    body["code"] = {**concept(Loinc.system, code, name), "text": name}
    body.update(_occurrence(wording, draw))
    body["patientInstruction"] = BEFORE_DOSE
    return body


def _occurrence(wording: Wording, draw: LabDraw) -> dict[str, Any]:
    if draw.purpose == MAINTENANCE or draw.repeat_days:
        return {"occurrenceTiming": {"event": [wording.iso(day) for day in _days(draw)]}}
    return {"occurrenceDateTime": wording.iso(draw.day)}


def _days(draw: LabDraw) -> list[int]:
    return sorted({draw.day, *draw.repeat_days})


def lab_days(wording: Wording, draw: LabDraw) -> str:
    """The days of a draw, in words."""
    return ", ".join(wording.words(day) for day in _days(draw))


def not_steady(wording: Wording, draw: LabDraw) -> list[str]:
    """The date of the modelled steady state, where the draw comes before it."""
    steady = draw.modelled_steady_day
    if steady is None or draw.day >= steady:
        return []
    return [
        f"The model calls the levels steady from {wording.words(steady)} on: at this draw they"
        " are still moving."
    ]
