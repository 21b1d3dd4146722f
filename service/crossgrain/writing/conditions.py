"""What each branch of the checkpoint is conditional on: FHIRPath and plain words.

The expressions are FHIRPath over the variables of `variables`, which whoever evaluates them
supplies. For any TSH exactly one of the three holds. Without a TSH none does, so no dose is
ever raised or kept blind; only stepping back for symptoms needs no laboratory.
"""

from dataclasses import dataclass
from fractions import Fraction

from crossgrain.dosing.plan import Reading

_VARIABLES = {
    "tsh": "TSH drawn at the checkpoint, in mIU/L (decimal)",
    "tshLow": "lower limit of that laboratory's TSH range, else {low} mIU/L (decimal)",
    "tshHigh": "upper limit of that laboratory's TSH range, else {high} mIU/L (decimal)",
    "tooFast": (
        "true where the patient has symptoms of too fast a climb: flutter, palpitations,"
        " jitteriness, anxiety or a fast pulse (boolean)"
    ),
}


def variables(usual_tsh: tuple[Fraction, Fraction]) -> dict[str, str]:
    """What each variable of the conditions stands for; `usual_tsh` is the range without one."""
    low, high = (f"{float(limit):.1f}" for limit in usual_tsh)
    return {name: meaning.format(low=low, high=high) for name, meaning in _VARIABLES.items()}


def variables_note(usual_tsh: tuple[Fraction, Fraction]) -> str:
    """The same in a sentence."""
    meanings = (f"%{name}: {meaning}" for name, meaning in variables(usual_tsh).items())
    return "Variables of the conditions: " + "; ".join(meanings)


@dataclass(frozen=True, slots=True)
class Condition:
    """When a branch applies: for a machine, for a title and for a person."""

    expression: str
    title: str
    words: str


CONDITIONS = {
    Reading.HIGH: Condition(
        "%tsh > %tshHigh and %tooFast.not()",
        "TSH high",
        "TSH at the checkpoint is above the laboratory's range and there are no symptoms of"
        " too fast a climb",
    ),
    Reading.IN_RANGE: Condition(
        "%tsh >= %tshLow and %tsh <= %tshHigh and %tooFast.not()",
        "TSH in range",
        "TSH at the checkpoint is within the laboratory's range and there are no symptoms of"
        " too fast a climb",
    ),
    Reading.LOW: Condition(
        "%tsh < %tshLow or %tooFast",
        "TSH low, or too fast",
        "TSH at the checkpoint is below the laboratory's range, or there are symptoms of too"
        " fast a climb (flutter, palpitations, jitteriness, anxiety or a fast pulse)",
    ),
}
