"""The patient's part: what to take, when blood is drawn, what to watch for.

The sentences are short and the words plain: a test measures their reading grade.
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.plan import Plan
from crossgrain.fhir.write.labs import BEFORE_DOSE
from crossgrain.fhir.write.letterhead import Letterhead
from crossgrain.safety.findings import Severity
from crossgrain.sheet.days import PatientStep, day_words, months

GO_TO_HOSPITAL = (
    # Levothyroxine, liothyronine and desiccated thyroid labels, signs of too much hormone and
    # of an allergy, from memory; the wording and the advice to wait are common practice.
    "your chest hurts or feels tight",
    "you faint, or you are short of breath at rest",
    "your face or throat swells",
)
CALL_TODAY = (
    # Common practice, no source: the signs of a climb that is too fast.
    "your heart races, pounds or flutters",
    "you feel shaky, on edge or very hot",
    "you cannot sleep",
    "you throw up, or you are too weak to stand",  # adrenal crisis; labels, from memory
    "you are pregnant, or you may be",  # labels, from memory
)
CALL_SOON = (
    "you are much more tired than before",
    "you feel cold, slow or low",
    "you gain weight or your hands and face are puffy",
)


def part(
    letter: Letterhead, plan: Plan, steps: tuple[PatientStep, ...], catalogue: Catalogue
) -> dict[str, Any]:
    """What the patient's template shows."""
    start = letter.proposal.request.start
    draws = [start + timedelta(days=draw.day) for draw in plan.labs]
    return {
        "on_hold": bool(letter.proposal.record.confirm)
        or any(f.severity is Severity.HOLD for f in letter.findings),
        "months": list(months(steps, draws)),
        "day_words": day_words,
        "how_to_take": list(_how_to_take(letter, plan)),
        "draws": draws,
        "on_the_day": BEFORE_DOSE,
        "biotin": _biotin(letter, catalogue),
        "decision_day": start + timedelta(days=plan.checkpoint.decision_day),
        "go_to_hospital": GO_TO_HOSPITAL,
        "call_today": CALL_TODAY,
        "call_soon": CALL_SOON,
    }


def _how_to_take(letter: Letterhead, plan: Plan) -> Iterator[str]:
    lines = [line for step in plan.steps for line in step.lines]
    if any(line.preparation.t4_ug_per_unit for line in lines):
        # Levothyroxine label: on an empty stomach, half an hour to an hour before breakfast
        # (from memory), 4 hours apart from what binds it.
        yield "Take your tablets on an empty stomach, with water. Then wait half an hour to eat."
        yield "Take calcium, iron and antacids 4 hours before or after, not with them."
    if any(line.doses_per_day > 1 for line in lines):
        yield "Where it says bedtime, take that dose as you go to bed."
    yield from dict.fromkeys(f.instruction for f in letter.findings if f.instruction)
    if any(piece.count % 1 for line in lines if line.tablets for piece in line.tablets.pieces):
        yield "To take half a tablet, cut it with a pill cutter. Keep the other half for next time."
    # Common practice, no source.
    yield "If you miss a dose, take it later that day. Do not take two days of tablets at once."
    yield "Do not change the dose or stop by yourself. Call us first."


def _biotin(letter: Letterhead, catalogue: Catalogue) -> str:
    """What to do about biotin before bloods, with the numbers of the safety rule."""
    if not any(finding.code == "biotin" for finding in letter.findings):
        return (
            "Tell us if you take biotin (it is in some hair and nail pills). It can spoil the test."
        )
    numbers = catalogue.rules.before["biotin"].numbers
    days, longer = (f"{float(numbers[name].value):g}" for name in ("days", "days_high"))
    return (
        f"Stop biotin {days} days before each test. If you take 10 mg or more a day, stop it"
        f" {longer} days before."
    )
