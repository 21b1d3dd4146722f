"""Courses of invented patients for the tests, days counted from the day of reading."""

from dataclasses import replace
from datetime import date
from fractions import Fraction

from crossgrain.catalogue import load_catalogue
from crossgrain.dosing.regimens import DoseLine
from crossgrain.safety.facts import Analyte, Measurement
from crossgrain.screening.course import (
    DoseRun,
    End,
    Flag,
    FlagCode,
    Screened,
    ScreeningOutcome,
    TakingHistory,
)
from crossgrain.screening.screen import Ruler, screen

CATALOGUE = load_catalogue()
AS_OF = date(2025, 3, 3)
LIMITS = CATALOGUE.limits
RULER = Ruler(AS_OF, tuple(b for b in CATALOGUE.bases if b.sets_checkpoint), LIMITS)
LINES = {
    "lt4": "levothyroxine",
    "lt3": "liothyronine",
    "dt": "desiccated-thyroid-60",
    "dt65": "desiccated-thyroid-65",
}


def took(what: str, amount: float | str, first: int, last: int | None = None, **more) -> DoseRun:
    """One medicine, so much a day; without a last day it is still taken."""
    preparation = CATALOGUE.preparations[LINES[what]]
    reference = more.pop("reference", f"MedicationRequest/{what}-{-first}")
    made = DoseRun(
        kind=preparation.kind,
        lines=(DoseLine(preparation, (Fraction(str(amount)),)),),
        first_day=first,
        last_day=last,
        end=End.OPEN if last is None else End.DATED,
        reference=reference,
        group=reference,
    )
    return replace(made, **more)


def tsh(value: float | str, day: int, low: str = "", high: str = "", **more) -> Measurement:
    """One TSH, with the laboratory's own range where it is given."""
    ends = [Fraction(end) if end else None for end in (low, high)]
    return Measurement(
        Analyte.TSH, Fraction(str(value)), day, f"Observation/tsh{day}", low=ends[0], high=ends[1],
        **more,
    )  # fmt: skip


def to_desiccated(
    *results: Measurement, lt4: int = 100, mg: int | str = 60, ago: int = 200, **more
) -> TakingHistory:
    """The classic move: levothyroxine for years, then desiccated thyroid."""
    intakes = (took("lt4", lt4, -ago - 1000, -ago - 1), took("dt", mg, -ago))
    return TakingHistory(intakes=intakes, tsh=results, **more)


def screened(course: TakingHistory) -> Screened:
    """The answer."""
    return screen(course, RULER)


def flags(course: TakingHistory) -> dict[FlagCode, Flag]:
    """The flags by code."""
    return {flag.code: flag for flag in screened(course).flags}


def grades(course: TakingHistory) -> dict[str, str]:
    """Code → grade."""
    return {str(code): str(flag.grade) for code, flag in flags(course).items()}


def outcome(course: TakingHistory) -> ScreeningOutcome:
    """Where the patient ends."""
    return screened(course).outcome
