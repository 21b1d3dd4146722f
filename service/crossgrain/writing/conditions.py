"""The condition of each branch of the checkpoint, in FHIRPath and in plain words.

The expressions are FHIRPath over variables that whoever evaluates them supplies. For any results
at most one of them holds, and none does where there is not exactly one result of each test that it
needs: no dose is raised, kept or lowered blind. A TSH that is high together with symptoms of too
much makes none of them hold: it is asked about. The limits are the patient's own: of age, of
pregnancy, of a goal, and in central hypothyroidism of free T4 instead of TSH.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from crossgrain.dosing.plan import LabReading, Plan
from crossgrain.dosing.steps import Step
from crossgrain.names.printing import decimal
from crossgrain.safety.results import TshLimits, Whose

_VARIABLES = {
    "tsh": "TSH drawn at the checkpoint, in mIU/L (decimal)",
    "tshLow": "lower limit of that laboratory's TSH range, else {low} mIU/L (decimal)",
    "tshHigh": "upper limit of that laboratory's TSH range, else {high} mIU/L (decimal)",
    "goalLow": "lower limit of the TSH range set for this patient, in mIU/L (decimal)",
    "goalHigh": "upper limit of the TSH range set for this patient, in mIU/L (decimal)",
    "freeT4": "free T4 drawn at the checkpoint before the dose (decimal)",
    "freeT4Low": "lower limit of that laboratory's free T4 range (decimal)",
    "freeT4High": "upper limit of that laboratory's free T4 range (decimal)",
    "freeT3": "free T3 drawn at the checkpoint before the dose (decimal)",
    "freeT3High": "upper limit of that laboratory's free T3 range (decimal)",
    "specialistAgrees": "true where the endocrinologist agrees to stay on this dose (boolean)",
    "tooFast": "true where the patient is jittery or anxious, or feels flutter (boolean)",
    "fastPulse": "true where there are palpitations, or the pulse at rest is above {fast_pulse} a"
    " minute (boolean)",
}
_CALM = "%tooFast.not() and %fastPulse.not()"
_NO_SYMPTOMS = "there are no symptoms of too fast a climb"
_SYMPTOMS = (
    "there are symptoms of too fast a climb (flutter, palpitations, jitteriness, anxiety or a fast"
    " pulse)"
)
_PULSE = "palpitations or a fast pulse at rest"


@dataclass(frozen=True, slots=True)
class BranchCondition:
    """When a branch applies: for a machine, for a title and for a person."""

    expression: str
    title: str
    words: str


Conditions = Mapping[LabReading, BranchCondition]


@dataclass(frozen=True, slots=True)
class T3InPlan:
    """What a plan does with T3: whether it is swallowed at the checkpoint, and whether a raise
    adds more of it."""

    swallowed: bool
    rises: bool


def conditions_for(limits: TshLimits, plan: Plan) -> Conditions:
    """The conditions of a plan's branches for one patient."""
    every = conditions_by(limits, t3_in(plan))
    return {branch.reading: every[branch.reading] for branch in plan.checkpoint.branches}


def t3_in(plan: Plan) -> T3InPlan:
    """What a plan does with T3 at its checkpoint and in the branches of a high TSH."""
    held = _t3_ug(plan.steps[-1])
    raises = (
        branch.steps[-1]
        for branch in plan.checkpoint.branches
        if branch.steps and branch.reading in {LabReading.VERY_HIGH, LabReading.HIGH}
    )
    return T3InPlan(held > 0, any(_t3_ug(step) > held for step in raises))


def _t3_ug(step: Step) -> Fraction:
    return sum((line.preparation.t3_ug(line.amount) for line in step.lines), Fraction(0))


def conditions_by(limits: TshLimits, t3: T3InPlan) -> Conditions:
    """The conditions of every branch by the limits that apply to a patient."""
    match limits.whose:
        case Whose.CENTRAL:
            return _central_with_t3() if t3.swallowed else _central()
        case Whose.GOAL:
            within = "the TSH range that was set for this patient"
            return _by_tsh(limits, t3, "%goalLow", "%goalHigh", within)
        case Whose.PREGNANT:
            return _in_pregnancy(limits, t3)
        case Whose.OLDER:
            limit = _decimal(limits.older_high)
            high = f"iif(%tshHigh > {limit}, %tshHigh, {limit})"
            age = f"{decimal(limits.older_years)}"
            within = (
                f"this patient's range (the laboratory's; from {age} years up to {limit} mIU/L, or"
                " the laboratory's limit where that is higher)"
            )
            return _by_tsh(limits, t3, "%tshLow", high, within)
        case Whose.USUAL:
            return _by_tsh(limits, t3, "%tshLow", "%tshHigh", "the laboratory's range")


# --- by TSH ----------------------------------------------------------------------------------


def _by_tsh(limits: TshLimits, t3: T3InPlan, low: str, high: str, within: str) -> Conditions:
    return {
        **_tsh_high(limits, t3, high, within),
        **_tsh_in_range(t3, low, high, within),
        **_tsh_low(limits, t3, low, high, within),
    }


def _tsh_high(limits: TshLimits, t3: T3InPlan, high: str, within: str) -> Conditions:
    """Where the raise would add T3, free T3 has a say: above its range T3 is not to rise."""
    above, far, shown = (
        f"%tsh > {high}",
        _decimal(limits.frankly_high),
        decimal(limits.frankly_high),
    )
    not_high = " and %freeT3 <= %freeT3High" if t3.rises else ""
    so = f", free T3 is not above its range, and {_NO_SYMPTOMS}" if t3.rises else _AND_CALM
    return {
        LabReading.VERY_HIGH: BranchCondition(
            _where(f"{above} and %tsh > {far}{not_high} and {_CALM}"),
            "TSH very high",
            f"TSH at the checkpoint is above {shown} mIU/L and above {within}{so}",
        ),
        LabReading.HIGH: BranchCondition(
            _where(f"{above} and %tsh <= {far}{not_high} and {_CALM}"),
            "TSH high",
            f"TSH at the checkpoint is above {within}, up to {shown} mIU/L{so}",
        ),
        **(_both_high(above, within) if t3.rises else {}),
    }


def _both_high(above: str, within: str) -> Conditions:
    words = (
        f"TSH at the checkpoint is above {within} and free T3 is above its range too, and"
        f" {_NO_SYMPTOMS}"
    )
    expression = _where(f"{above} and %freeT3 > %freeT3High and {_CALM}")
    title = "TSH high, free T3 high"
    return {LabReading.HIGH_FREE_T3: BranchCondition(expression, title, words)}


def _tsh_in_range(t3: T3InPlan, low: str, high: str, within: str) -> Conditions:
    inside = _inside(t3, low, high)
    so = f"TSH at the checkpoint is within {within}"
    so += ", free T3 is not above its range" if t3.swallowed else ""
    return {
        LabReading.IN_RANGE: BranchCondition(
            _where(f"{inside} and {_CALM}"), "TSH in range", f"{so}{_AND_CALM}"
        ),
        LabReading.SYMPTOMS: BranchCondition(
            _where(f"{inside} and (%tooFast or %fastPulse)"),
            "Symptoms, TSH in range",
            f"{so}, but {_SYMPTOMS}",
        ),
    }


def _inside(t3: T3InPlan, low: str, high: str) -> str:
    not_high = " and %freeT3 <= %freeT3High" if t3.swallowed else ""
    return f"%tsh >= {low} and %tsh <= {high}{not_high}"


def _tsh_low(limits: TshLimits, t3: T3InPlan, low: str, high: str, within: str) -> Conditions:
    """Free T3 above its range with a TSH in range is a step back too: of T3, which falls first."""
    suppressed, below = _decimal(limits.suppressed), f"%tsh < {low}"
    lower = _where(f"{below} and %tsh >= {suppressed} and %fastPulse.not()")
    title, also = "TSH low", ""
    if t3.swallowed:
        in_range = f"%tsh >= {low} and %tsh <= {high}"
        lower += f" or {_where(f'{in_range} and %freeT3 > %freeT3High')}"
        title += ", or free T3 high"
        also = "; or it is within it and free T3 is above its own"
    return {
        LabReading.LOW: BranchCondition(
            lower,
            title,
            f"TSH at the checkpoint is below {within} but not below {suppressed} mIU/L, without"
            f" {_PULSE}{also}",
        ),
        LabReading.VERY_LOW: BranchCondition(
            f"{_where(f'{below} and %tsh < {suppressed}')} or {_where(f'{below} and %fastPulse')}",
            "TSH very low",
            f"TSH at the checkpoint is below {within} and below {suppressed} mIU/L, or below the"
            f" range with {_PULSE}",
        ),
    }


def _in_pregnancy(limits: TshLimits, t3: T3InPlan) -> Conditions:
    """A low TSH is asked about and lowers nothing by itself."""
    top, bottom = _decimal(limits.pregnant_high), _decimal(limits.pregnant_low)
    high = f"iif(%tshHigh < {top}, %tshHigh, {top})"
    low = f"iif(%tshLow < {bottom}, %tshLow, {bottom})"
    within = f"the range in pregnancy ({bottom} to {top} mIU/L, or the laboratory's limit below it)"
    asked = "the specialist asks for less: in pregnancy no result lowers the dose by itself"
    return {
        **_by_tsh(limits, t3, low, high, within),
        LabReading.LOW: BranchCondition("false", "Not by a result: less", asked),
        LabReading.VERY_LOW: BranchCondition(
            "false",
            "Not by a result: much less",
            f"{asked}; the larger step, where the specialist asks for it",
        ),
    }


# --- central hypothyroidism: by free T4 ------------------------------------------------------


def _central() -> Conditions:
    no_guide = "(TSH is no guide in central hypothyroidism)"
    inside = f"%freeT4 >= {_MIDDLE} and %freeT4 <= %freeT4High"
    above = "%freeT4 > %freeT4High"
    so = f"free T4 at the checkpoint is in the upper half of the laboratory's range {no_guide}"
    too_much = f"free T4 at the checkpoint is above the laboratory's range {no_guide}"
    return {
        LabReading.VERY_HIGH: BranchCondition(
            _where(f"%freeT4 < %freeT4Low and {_CALM}"),
            "Free T4 very low",
            f"free T4 at the checkpoint is below the laboratory's range {no_guide}{_AND_CALM}",
        ),
        LabReading.HIGH: BranchCondition(
            _where(f"%freeT4 >= %freeT4Low and %freeT4 < {_MIDDLE} and {_CALM}"),
            "Free T4 low",
            "free T4 at the checkpoint is in the lower half of the laboratory's range"
            f" {no_guide}{_AND_CALM}",
        ),
        LabReading.IN_RANGE: BranchCondition(
            _where(f"{inside} and {_CALM}"), "Free T4 in range", f"{so}{_AND_CALM}"
        ),
        LabReading.SYMPTOMS: BranchCondition(
            _where(f"{inside} and (%tooFast or %fastPulse)"),
            "Symptoms, free T4 in range",
            f"{so}, but {_SYMPTOMS}",
        ),
        LabReading.LOW: BranchCondition(
            _where(f"{above} and %fastPulse.not()"),
            "Free T4 high",
            f"{too_much}, without {_PULSE}",
        ),
        LabReading.VERY_LOW: BranchCondition(
            _where(f"{above} and %fastPulse"),
            "Free T4 high, fast pulse",
            f"{too_much}, with {_PULSE}",
        ),
    }


def _central_with_t3() -> Conditions:
    """Swallowed T3 lowers free T4, so none that is low may raise the dose by itself."""
    asked = (
        "the endocrinologist asks for {more}, having seen free T4 and free T3: in central"
        " hypothyroidism with T3 that is swallowed no result raises the dose by itself"
    )
    inside = "%specialistAgrees and %freeT4 <= %freeT4High and %freeT3 <= %freeT3High"
    above = "(%freeT4 > %freeT4High or %freeT3 > %freeT3High)"
    so = (
        "neither free T4 nor free T3 at the checkpoint is above the laboratory's range, the"
        " endocrinologist agrees to stay on this dose"
    )
    too_much = (
        "free T4 or free T3 at the checkpoint is above the laboratory's range (TSH is no guide in"
        " central hypothyroidism)"
    )
    return {
        LabReading.VERY_HIGH: BranchCondition(
            "false", "Not by a result: much more", asked.format(more="much more")
        ),
        LabReading.HIGH: BranchCondition(
            "false", "Not by a result: more", asked.format(more="more")
        ),
        LabReading.HIGH_FREE_T3: BranchCondition(
            "false",
            "Not by a result: more T4",
            asked.format(more="more levothyroxine and no more T3"),
        ),
        LabReading.IN_RANGE: BranchCondition(
            _where(f"{inside} and {_CALM}"), "Not too much, and agreed", f"{so}{_AND_CALM}"
        ),
        LabReading.SYMPTOMS: BranchCondition(
            _where(f"{inside} and (%tooFast or %fastPulse)"),
            "Symptoms, not too much, and agreed",
            f"{so}, but {_SYMPTOMS}",
        ),
        LabReading.LOW: BranchCondition(
            _where(f"{above} and %fastPulse.not()"),
            "Free T4 or free T3 high",
            f"{too_much}, without {_PULSE}",
        ),
        LabReading.VERY_LOW: BranchCondition(
            _where(f"{above} and %fastPulse"),
            "Free T4 or free T3 high, fast pulse",
            f"{too_much}, with {_PULSE}",
        ),
    }


# --- what no branch covers -------------------------------------------------------------------


def left_open(limits: TshLimits, plan: Plan) -> str:
    """Which results no branch is conditional on, and what is expected of them."""
    t3, central = t3_in(plan), limits.whose is Whose.CENTRAL
    asked = [
        "a result is missing or not clear",
        f"{'free T4 is low' if central else 'TSH is high'} and {_SYMPTOMS}",
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


# --- FHIRPath --------------------------------------------------------------------------------


def _where(expression: str) -> str:
    """The expression where each of its variables has exactly one value, else false.

    Without this two results of one test would be an error, and none an empty answer.
    """
    known = " and ".join(f"%{name}.count() = 1" for name in _names_in(expression))
    return f"iif({known}, {expression}, false)"


def _names_in(*expressions: str) -> list[str]:
    """The variables that expressions use, in the order in which they are documented."""
    used = {name for expression in expressions for name in re.findall(r"%(\w+)", expression)}
    return [name for name in _VARIABLES if name in used]


def variables(limits: TshLimits, conditions: Conditions) -> dict[str, str]:
    """What each variable of these conditions stands for."""
    named = {
        "low": _decimal(limits.low),
        "high": _decimal(limits.high),
        "fast_pulse": decimal(limits.fast_pulse),
    }
    used = _names_in(*(condition.expression for condition in conditions.values()))
    return {name: _VARIABLES[name].format(**named) for name in used}


def variables_note(meanings: Iterable[tuple[str, str]]) -> str:
    """The same in a sentence."""
    return "Variables of the conditions: " + "; ".join(
        f"%{n}: {meaning}" for n, meaning in meanings
    )


def anyones(limits: TshLimits) -> Conditions:
    """The conditions where they are said of no one patient: T3 is swallowed, and may rise."""
    return conditions_by(replace(limits, whose=Whose.USUAL), T3InPlan(swallowed=True, rises=True))


def for_anyone(limits: TshLimits) -> dict[str, str]:
    """The variables of these, with whose limits they are."""
    meanings = variables(limits, anyones(limits))
    older, pregnant = _decimal(limits.older_high), _decimal(limits.pregnant_high)
    return {
        **meanings,
        "tsh": f"{meanings['tsh']}; none in central hypothyroidism, where free T4 decides",
        "tshLow": f"{meanings['tshLow']}; in pregnancy at most {_decimal(limits.pregnant_low)};"
        " where TSH is kept low on purpose, the lower limit that was set",
        "tshHigh": f"{meanings['tshHigh']}; from {decimal(limits.older_years)} years at least"
        f" {older}; in pregnancy at most {pregnant}; where TSH is kept low on purpose, the upper"
        " limit that was set",
    }


def _decimal(limit: Fraction) -> str:
    """A limit of TSH as FHIRPath writes a decimal: every digit, and one at least."""
    written = decimal(limit)
    return written if "." in written else f"{written}.0"


_AND_CALM = f" and {_NO_SYMPTOMS}"
_MIDDLE = "(%freeT4Low + %freeT4High) / 2"
