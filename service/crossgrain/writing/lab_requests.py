"""Blood draws as requests of a laboratory, and in words."""

from collections.abc import Iterator, Sequence
from typing import Any

from crossgrain.dosing.plan import LabDraw
from crossgrain.dosing.steps import Step
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import Loinc, Snomed
from crossgrain.reading.filed import DRAWN_AS
from crossgrain.safety.facts import Analyte
from crossgrain.writing.dosage import concept
from crossgrain.writing.elements import paragraph, paragraphs
from crossgrain.writing.going_on import references
from crossgrain.writing.interim import BASELINE, first_dose_waits, interim_words, read_when
from crossgrain.writing.letterhead import (
    SERIES,
    Letterhead,
    Resource,
    Scope,
    Wording,
    notes_of_draw,
)

ANALYTES = {
    Analyte.TSH: "Thyrotropin [Units/volume] in Serum or Plasma",
    Analyte.FREE_T4: "Thyroxine (T4) free [Mass/volume] in Serum or Plasma",
    Analyte.FREE_T3: "Triiodothyronine (T3) Free [Mass/volume] in Serum or Plasma",
}
"""LOINC's long common names, in the order they are asked for."""
BEFORE_DOSE = (
    "Have the blood drawn in the morning, before that morning's dose of thyroid medicine; take"
    " the dose afterwards."
)
"""T3 peaks 2-4 h after a dose (from memory), so a draw after it misleads."""
MAINTENANCE = "maintenance"


@frozen
class AskedDraw:
    """A draw as it is asked for.

    Attributes
    ----------
    purpose, days, leaves_out : as of the draw
    about : what it is for, and what its results may change
    """

    purpose: str
    days: tuple[int, ...]
    leaves_out: tuple[str, ...]
    about: tuple[str, ...]


def service_requests(letter: Letterhead, draws: tuple[LabDraw, ...]) -> Iterator[Resource]:
    """Those of the series: three per draw, TSH, free T4 and free T3, but for what is known."""
    steps, _ = letter.steps_in(SERIES)
    for asked in asked_draws(letter, steps, draws):
        yield from draw_requests(letter, SERIES, asked)


def asked_draws(
    letter: Letterhead, steps: Sequence[Step], draws: tuple[LabDraw, ...]
) -> tuple[AskedDraw, ...]:
    """The draws that belong to these steps."""
    return tuple(
        AskedDraw(draw.purpose, draw.days, draw.leaves_out, tuple(_about(letter, steps, draw)))
        for draw in draws
    )


def _about(letter: Letterhead, steps: Sequence[Step], draw: LabDraw) -> Iterator[str]:
    wording = letter.wording
    yield draw.statement
    yield from not_steady(wording, draw)
    yield from interim_words(wording, letter.proposal.tsh, steps, draw)
    if draw.purpose == BASELINE:
        yield from first_dose_waits(letter)


def _is_filed(letter: Letterhead, scope: Scope, asked: AskedDraw, analyte: Analyte) -> bool:
    """Whether a draw of the series stands filed for all of its days already."""
    if letter.going_on is None or scope.name != SERIES.name:
        return False
    code = DRAWN_AS[analyte]
    filed = letter.going_on.kept_draws
    return all((code, letter.iso(day)) in filed for day in asked.days)


def draw_requests(letter: Letterhead, scope: Scope, asked: AskedDraw) -> Iterator[Resource]:
    """The requests of one draw: they differ in no more than in what is measured."""
    days = _in_words(letter.wording, asked.days)
    only_if, said = paragraphs(scope.only_if), paragraphs(asked.about)
    notes = notes_of_draw(*scope.only_if, *asked.about)
    drawn = letter.going_on.draws if letter.going_on and scope.name == SERIES.name else {}
    for analyte, name in ANALYTES.items():
        if analyte in asked.leaves_out or _is_filed(letter, scope, asked, analyte):
            continue
        code = DRAWN_AS[analyte]
        body = letter.request(
            "ServiceRequest",
            f"ServiceRequest|{scope.name}|{asked.purpose}|{asked.days[0]}|{code}",
            scope,
            f"{only_if}{paragraph(f'{name}, {days}.')}{said}",
        )
        body["note"] = [dict(note) for note in notes]
        body["category"] = [concept(Snomed.system, "108252007", "Laboratory procedure")]
        body["code"] = {**concept(Loinc.system, code, name), "text": name}
        body.update(_occurrence(letter, asked))
        body["patientInstruction"] = BEFORE_DOSE
        if filed := drawn.get((code, letter.iso(asked.days[0]))):
            body["replaces"] = references(filed)
        yield body


def _occurrence(letter: Letterhead, asked: AskedDraw) -> dict[str, Any]:
    days = [letter.iso(day) for day in asked.days]
    if asked.purpose == MAINTENANCE or len(days) > 1:
        return {"occurrenceTiming": {"event": days}}
    return {"occurrenceDateTime": days[0]}


def lab_days(wording: Wording, draw: LabDraw) -> str:
    """The days of a draw, in words."""
    return _in_words(wording, draw.days)


def _in_words(wording: Wording, days: Sequence[int]) -> str:
    return ", ".join(map(wording.words, days))


def draw_words(wording: Wording, draw: LabDraw) -> str:
    """A draw in a list: its days, what it is for, and by when it is read."""
    return f"{lab_days(wording, draw)}: {about_draw(wording, draw, draw.statement)}"


def about_draw(wording: Wording, draw: LabDraw, statement: str) -> str:
    """What a draw is for, where that is to be said, and by when it is read."""
    said = (
        *([f"{statement}."] if statement else ()),
        *not_steady(wording, draw),
        *read_when(wording, draw),
    )
    return " ".join(said)


def not_steady(wording: Wording, draw: LabDraw) -> list[str]:
    """The date of the modelled steady state, where the draw comes before it."""
    steady = draw.modelled_steady_day
    if steady is None or draw.day >= steady:
        return []
    return [
        f"The model calls the levels steady from {wording.words(steady)} on: at this draw they"
        " are still moving."
    ]
