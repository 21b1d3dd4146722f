"""Blood draws as ServiceRequests, one per analyte."""

from collections.abc import Iterator
from typing import Any

from crossgrain.dosing.once import kept
from crossgrain.dosing.plan import LabDraw
from crossgrain.fhir.read.codesystems import Loinc, Snomed
from crossgrain.fhir.write.dosage import concept
from crossgrain.fhir.write.letterhead import Letterhead, Prepared, Resource, Scope, own_notes
from crossgrain.fhir.write.narrative import paragraph, paragraphs
from crossgrain.fhir.write.wording import PARTS, Wording

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
    for draw in _draws(letter.wording, scope, draws):
        body = letter.request("ServiceRequest", draw.name, scope, draw.xhtml)
        body["note"] = letter.notes(draw.notes)
        body.update(draw.elements)
        yield body


@kept(PARTS)
def _draws(wording: Wording, scope: Scope, draws: tuple[LabDraw, ...]) -> tuple[Prepared, ...]:
    return tuple(_draw(wording, scope, draw, code) for draw in draws for code in ANALYTES)


def _draw(wording: Wording, scope: Scope, draw: LabDraw, code: str) -> Prepared:
    about = [draw.statement, *not_steady(wording, draw)]
    what = paragraph(f"{ANALYTES[code]}, {lab_days(wording, draw)}.")
    return Prepared(
        name=f"ServiceRequest|{scope.name}|{draw.purpose}|{draw.day}|{code}",
        xhtml=f"{scope.only_if_xhtml}{what}{paragraphs(about)}",
        notes=own_notes(scope, *about),
        elements={
            "category": _LABORATORY,
            "code": _CODES[code],
            **_occurrence(wording, draw),
            "patientInstruction": BEFORE_DOSE,
        },
    )


_LABORATORY = [concept(Snomed.system, "108252007", "Laboratory procedure")]
_CODES = {
    code: {**concept(Loinc.system, code, name), "text": name} for code, name in ANALYTES.items()
}


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
