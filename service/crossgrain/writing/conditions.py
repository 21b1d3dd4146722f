"""What each branch of the checkpoint is conditional on: FHIRPath and plain words.

The expressions are FHIRPath over variables that whoever evaluates them supplies. For any usable
result at most one of the three holds. Without one none does, so no dose is ever raised or kept
blind; only stepping back for symptoms needs no laboratory. The limits are the patient's own: of
age, of pregnancy, of a goal, and in central hypothyroidism of free T4 instead of TSH.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from crossgrain.dosing.plan import LabReading, Plan
from crossgrain.names.printing import decimal
from crossgrain.safety.tsh import TshLimits, Whose

_TOO_FAST = "flutter, palpitations, jitteriness, anxiety or a fast pulse"
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
    "tooFast": f"true where the patient has symptoms of too fast a climb: {_TOO_FAST} (boolean)",
}


@dataclass(frozen=True, slots=True)
class BranchCondition:
    """When a branch applies: for a machine, for a title and for a person."""

    expression: str
    title: str
    words: str


Conditions = Mapping[LabReading, BranchCondition]


def conditions_for(limits: TshLimits, *, swallows_t3: bool) -> Conditions:
    """The conditions of the three branches for one patient.

    Parameters
    ----------
    limits : what applies to the patient, and by what state
    swallows_t3 : as the function of that name tells
    """
    match limits.whose:
        case Whose.CENTRAL:
            return _CENTRAL_WITH_T3 if swallows_t3 else _CENTRAL
        case Whose.GOAL:
            return _by_tsh("%goalLow", "%goalHigh", "the TSH range that was set for this patient")
        case Whose.PREGNANT:
            return _in_pregnancy(limits)
        case Whose.OLDER:
            limit = _decimal(limits.older_high)
            high = f"iif(%tshHigh > {limit}, %tshHigh, {limit})"
            age = f"{decimal(limits.older_years)}"
            within = (
                f"this patient's range (the laboratory's; from {age} years up to {limit} mIU/L, or"
                " the laboratory's limit where that is higher)"
            )
            return _by_tsh("%tshLow", high, within)
        case Whose.USUAL:
            return CONDITIONS


def swallows_t3(plan: Plan) -> bool:
    """Whether T3 is taken at the checkpoint, which lowers free T4."""
    return any(line.preparation.carries_t3 for line in plan.steps[-1].lines)


def _by_tsh(low: str, high: str, within: str) -> Conditions:
    return {
        LabReading.HIGH: BranchCondition(
            f"%tsh > {high} and %tooFast.not()",
            "TSH high",
            f"TSH at the checkpoint is above {within} and {_NO_SYMPTOMS}",
        ),
        LabReading.IN_RANGE: BranchCondition(
            f"%tsh >= {low} and %tsh <= {high} and %tooFast.not()",
            "TSH in range",
            f"TSH at the checkpoint is within {within} and {_NO_SYMPTOMS}",
        ),
        LabReading.LOW: BranchCondition(
            f"%tsh < {low} or %tooFast",
            "TSH low, or too fast",
            f"TSH at the checkpoint is below {within}, or {_SYMPTOMS}",
        ),
    }


def _in_pregnancy(limits: TshLimits) -> Conditions:
    """A low TSH is asked about and lowers nothing by itself."""
    top, bottom = _decimal(limits.pregnant_high), _decimal(limits.pregnant_low)
    high = f"iif(%tshHigh < {top}, %tshHigh, {top})"
    low = f"iif(%tshLow < {bottom}, %tshLow, {bottom})"
    within = f"the range in pregnancy ({bottom} to {top} mIU/L, or the laboratory's limit below it)"
    by_tsh = _by_tsh(low, high, within)
    return {
        **by_tsh,
        LabReading.LOW: BranchCondition(
            "%tooFast",
            "Too fast",
            f"{_SYMPTOMS}; a low TSH without them lowers nothing in pregnancy: ask the specialist",
        ),
    }


def variables(limits: TshLimits, conditions: Conditions) -> dict[str, str]:
    """What each variable of these conditions stands for."""
    low, high = _decimal(limits.low), _decimal(limits.high)
    used = " ".join(condition.expression for condition in conditions.values()).replace("(", " ( ")
    names = {word.lstrip("%").split(".")[0].rstrip(",)") for word in used.split() if "%" in word}
    return {
        name: meaning.format(low=low, high=high)
        for name, meaning in _VARIABLES.items()
        if name in names
    }


def variables_note(meanings: Iterable[tuple[str, str]]) -> str:
    """The same in a sentence."""
    return "Variables of the conditions: " + "; ".join(
        f"%{n}: {meaning}" for n, meaning in meanings
    )


def for_anyone(limits: TshLimits) -> dict[str, str]:
    """The variables of the conditions where they are said of no one patient: with whose limits."""
    meanings = variables(limits, CONDITIONS)
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


_NO_SYMPTOMS = "there are no symptoms of too fast a climb"
_SYMPTOMS = (
    "there are symptoms of too fast a climb (flutter, palpitations, jitteriness, anxiety or a fast"
    " pulse)"
)
CONDITIONS = _by_tsh("%tshLow", "%tshHigh", "the laboratory's range")
"""Those of a patient whose TSH is judged by the laboratory's own range."""
_MIDDLE = "(%freeT4Low + %freeT4High) / 2"
_CENTRAL: Conditions = {
    LabReading.HIGH: BranchCondition(
        f"%freeT4 < {_MIDDLE} and %tooFast.not()",
        "Free T4 low",
        "free T4 at the checkpoint is in the lower half of the laboratory's range or below it (TSH"
        f" is no guide in central hypothyroidism) and {_NO_SYMPTOMS}",
    ),
    LabReading.IN_RANGE: BranchCondition(
        f"%freeT4 >= {_MIDDLE} and %freeT4 <= %freeT4High and %tooFast.not()",
        "Free T4 in range",
        "free T4 at the checkpoint is in the upper half of the laboratory's range (TSH is no guide"
        f" in central hypothyroidism) and {_NO_SYMPTOMS}",
    ),
    LabReading.LOW: BranchCondition(
        "%freeT4 > %freeT4High or %tooFast",
        "Free T4 high, or too fast",
        "free T4 at the checkpoint is above the laboratory's range (TSH is no guide in central"
        f" hypothyroidism), or {_SYMPTOMS}",
    ),
}
_CENTRAL_WITH_T3: Conditions = {
    LabReading.HIGH: BranchCondition(
        "false",
        "Not by a result",
        "the endocrinologist asks for more, having seen free T4 and free T3: in central"
        " hypothyroidism with T3 that is swallowed no result raises the dose by itself",
    ),
    LabReading.IN_RANGE: BranchCondition(
        "%specialistAgrees and %freeT4 <= %freeT4High and %freeT3 <= %freeT3High and"
        " %tooFast.not()",
        "Not too much, and agreed",
        "neither free T4 nor free T3 at the checkpoint is above the laboratory's range, the"
        f" endocrinologist agrees to stay on this dose, and {_NO_SYMPTOMS}",
    ),
    LabReading.LOW: BranchCondition(
        "%freeT4 > %freeT4High or %freeT3 > %freeT3High or %tooFast",
        "Free T4 or free T3 high, or too fast",
        "free T4 or free T3 at the checkpoint is above the laboratory's range (TSH is no guide in"
        f" central hypothyroidism), or {_SYMPTOMS}",
    ),
}
