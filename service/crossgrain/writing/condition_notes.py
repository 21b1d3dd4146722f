"""What is said of the conditions as a whole: on what they are evaluated, and what none covers."""

from collections.abc import Iterator
from dataclasses import replace

from crossgrain.dosing.plan import LabReading, Plan
from crossgrain.names.identity import HOW_IT_GOES
from crossgrain.names.printing import decimal
from crossgrain.safety.results import TshLimits, Whose
from crossgrain.writing.conditions import (
    UNWELL,
    Conditions,
    T3InPlan,
    conditions_by,
    t3_in,
)
from crossgrain.writing.draw_expressions import Draw, LabCodes, tsh_decimal


def left_open(limits: TshLimits, plan: Plan) -> str:
    """Which results no branch is conditional on, and what is expected of them."""
    t3, central = t3_in(plan), limits.whose is Whose.CENTRAL
    asked = [
        "a result is missing or not clear",
        f"{'free T4 is low' if central else 'TSH is high'} and {UNWELL}",
    ]
    readings = {branch.reading for branch in plan.checkpoint.branches}
    if t3.rises and not central and LabReading.HIGH_FREE_T3 not in readings:
        asked.append("TSH is high and free T3 is above its range")
    if limits.whose is Whose.PREGNANT:
        asked.append("TSH is low")
    words = f"Where {', or '.join(asked)}, none applies: the prescriber is asked."
    if not t3.swallowed:
        return words
    return (
        f"{words} Free T4 below its range is expected where T3 is swallowed, and is no reason to"
        " raise the dose."
    )


def focus_note(limits: TshLimits, draw: Draw) -> str:
    """On what the conditions are evaluated, and when none of them is true."""
    days = f" dated {draw.window.first} to {draw.window.last}" if draw.window else ""
    said = [
        f"The conditions are FHIRPath on a Bundle of this draw: its Observations{days} and one"
        f" QuestionnaireResponse to {HOW_IT_GOES}.",
        "None is true unless there is exactly one final result of each test that it needs, with its"
        " value, unit and day, and unless the questions about palpitations, jitters, sleep and"
        " chest pain are answered where it asks about symptoms; with chest pain none of those is"
        " true.",
        *_ranges_note(limits),
        f"A pulse at rest above {decimal(limits.fast_pulse)} a minute is a fast one.",
    ]
    return " ".join(said)


def _ranges_note(limits: TshLimits) -> Iterator[str]:
    if limits.whose is Whose.CENTRAL:
        yield "The laboratory's ranges are those of the results themselves."
        return
    if limits.whose is Whose.GOAL:
        yield (
            "The TSH range that was set for this patient stands on the result as a reference range"
            " of the type therapeutic."
        )
    else:
        yield (
            f"Where a TSH has no range of its laboratory, {tsh_decimal(limits.low)} to"
            f" {tsh_decimal(limits.high)} mIU/L is used."
        )
    yield "The range of free T3 is that of the result itself."


def anyones(limits: TshLimits, labs: LabCodes) -> Conditions:
    """The conditions where they are said of no one patient: T3 is swallowed, and may rise."""
    usual = replace(limits, whose=Whose.USUAL)
    return conditions_by(usual, T3InPlan(swallowed=True, rises=True), Draw(labs))


def for_anyone(limits: TshLimits, labs: LabCodes) -> str:
    """On what these are evaluated, and whose limits are others."""
    older, pregnant = tsh_decimal(limits.older_high), tsh_decimal(limits.pregnant_high)
    usual = focus_note(replace(limits, whose=Whose.USUAL), Draw(labs))
    return (
        f"{usual} For one patient the limits of TSH are others from"
        f" {decimal(limits.older_years)} years (up to {older} at least), in pregnancy (up to"
        f" {pregnant} at most) and where TSH is kept low on purpose; in central hypothyroidism free"
        " T4 decides."
    )
