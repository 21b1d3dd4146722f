"""The condition of each branch of the checkpoint, in FHIRPath and in plain words.

An expression is evaluated on a Bundle of one draw (`draw_expressions.py`). For any results at most
one of them holds, and none does where there is not exactly one usable result of each test that it
needs: no dose is raised, kept or lowered blind. A TSH that is high together with symptoms of too
much makes none of them hold: it is asked about; so does pain in the chest. The limits are the
patient's own: of age, of pregnancy, of a goal, and in central hypothyroidism of free T4 instead of
TSH.
"""

from collections.abc import Mapping
from fractions import Fraction

from crossgrain.dosing.plan import LabReading, Plan
from crossgrain.dosing.preparations import total
from crossgrain.dosing.steps import Step
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.safety.facts import Analyte
from crossgrain.safety.results import TshLimits, Whose
from crossgrain.writing.draw_expressions import (
    BOTTOM,
    GOAL_RANGE,
    MIDDLE,
    NEVER,
    TOP,
    VALUE,
    Asking,
    Draw,
    Signs,
    own_limit,
    tsh_decimal,
)

_NO_SYMPTOMS = "there are no symptoms of too fast a climb"
_AND_CALM = f" and {_NO_SYMPTOMS}"
UNWELL = (
    "there are symptoms of too fast a climb (flutter, palpitations, jitteriness, anxiety or a fast"
    " pulse)"
)
_PULSE = "palpitations or a fast pulse at rest"


@frozen
class BranchCondition:
    """When a branch applies: for a machine, for a title and for a person."""

    expression: str
    title: str
    words: str


Conditions = Mapping[LabReading, BranchCondition]


@frozen
class T3InPlan:
    """What a plan does with T3: whether it is swallowed at the checkpoint, and whether a raise
    adds more of it."""

    swallowed: bool
    rises: bool


def conditions_for(limits: TshLimits, plan: Plan, draw: Draw) -> Conditions:
    """The conditions of a plan's branches for one patient."""
    every = conditions_by(limits, t3_in(plan), draw)
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
    return total(line.preparation.t3_ug(line.amount) for line in step.lines)


def conditions_by(limits: TshLimits, t3: T3InPlan, draw: Draw) -> Conditions:
    """The conditions of every branch by the limits that apply to a patient."""
    asked = Asking(draw, limits)
    if limits.whose is Whose.CENTRAL:
        return _central_with_t3(asked) if t3.swallowed else _central(asked)
    if limits.whose is Whose.PREGNANT:
        return _in_pregnancy(asked, t3)
    return _by_tsh(asked, t3, _edges(limits))


@frozen
class _Edges:
    """A range of TSH: its ends as FHIRPath, seen from a result, and in words."""

    low: str
    high: str
    within: str


def _edges(limits: TshLimits) -> _Edges:
    """The laboratory's limits are the usual ones where a result has none."""
    low, high = own_limit("low", limits.low), own_limit("high", limits.high)
    match limits.whose:
        case Whose.GOAL:
            within = "the TSH range that was set for this patient"
            return _Edges(f"{GOAL_RANGE}.low.value", f"{GOAL_RANGE}.high.value", within)
        case Whose.PREGNANT:
            top, bottom = tsh_decimal(limits.pregnant_high), tsh_decimal(limits.pregnant_low)
            return _Edges(
                f"iif({low} < {bottom}, {low}, {bottom})",
                f"iif({high} < {top}, {high}, {top})",
                f"the range in pregnancy ({bottom} to {top} mIU/L, or the laboratory's limit"
                " below it)",
            )
        case Whose.OLDER:
            limit, age = tsh_decimal(limits.older_high), decimal(limits.older_years)
            return _Edges(
                low,
                f"iif({high} > {limit}, {high}, {limit})",
                f"this patient's range (the laboratory's; from {age} years up to {limit} mIU/L, or"
                " the laboratory's limit where that is higher)",
            )
        case _:
            return _Edges(low, high, "the laboratory's range")


# --- by TSH ----------------------------------------------------------------------------------

_TSH, _T4, _T3 = Analyte.TSH, Analyte.FREE_T4, Analyte.FREE_T3
_T3_NOT_HIGH, _T3_HIGH = f"{VALUE} <= {TOP}", f"{VALUE} > {TOP}"


def _by_tsh(asked: Asking, t3: T3InPlan, edges: _Edges) -> Conditions:
    return {
        **_tsh_high(asked, t3, edges),
        **_tsh_in_range(asked, t3, edges),
        **_tsh_low(asked, t3, edges),
    }


def _tsh_high(asked: Asking, t3: T3InPlan, edges: _Edges) -> Conditions:
    """Where the raise would add T3, free T3 has a say: above its range T3 is not to rise."""
    above, within = f"{VALUE} > {edges.high}", edges.within
    far, shown = tsh_decimal(asked.limits.frankly_high), decimal(asked.limits.frankly_high)
    free_t3 = {_T3: _T3_NOT_HIGH} if t3.rises else {}
    so = f", free T3 is not above its range, and {_NO_SYMPTOMS}" if t3.rises else _AND_CALM
    return {
        LabReading.VERY_HIGH: BranchCondition(
            asked.all_of({_TSH: f"{above} and {VALUE} > {far}", **free_t3}, Signs.CALM),
            "TSH very high",
            f"TSH at the checkpoint is above {shown} mIU/L and above {within}{so}",
        ),
        LabReading.HIGH: BranchCondition(
            asked.all_of({_TSH: f"{above} and {VALUE} <= {far}", **free_t3}, Signs.CALM),
            "TSH high",
            f"TSH at the checkpoint is above {within}, up to {shown} mIU/L{so}",
        ),
        **(_both_high(asked, above, within) if t3.rises else {}),
    }


def _both_high(asked: Asking, above: str, within: str) -> Conditions:
    words = (
        f"TSH at the checkpoint is above {within} and free T3 is above its range too, and"
        f" {_NO_SYMPTOMS}"
    )
    expression = asked.all_of({_TSH: above, _T3: _T3_HIGH}, Signs.CALM)
    title = "TSH high, free T3 high"
    return {LabReading.HIGH_FREE_T3: BranchCondition(expression, title, words)}


def _tsh_in_range(asked: Asking, t3: T3InPlan, edges: _Edges) -> Conditions:
    inside = {_TSH: f"{VALUE} >= {edges.low} and {VALUE} <= {edges.high}"}
    if t3.swallowed:
        inside[_T3] = _T3_NOT_HIGH
    so = f"TSH at the checkpoint is within {edges.within}"
    so += ", free T3 is not above its range" if t3.swallowed else ""
    return {
        LabReading.IN_RANGE: BranchCondition(
            asked.all_of(inside, Signs.CALM), "TSH in range", f"{so}{_AND_CALM}"
        ),
        LabReading.SYMPTOMS: BranchCondition(
            asked.all_of(inside, Signs.UNWELL),
            "Symptoms, TSH in range",
            f"{so}, but {UNWELL}",
        ),
    }


def _tsh_low(asked: Asking, t3: T3InPlan, edges: _Edges) -> Conditions:
    """Free T3 above its range with a TSH in range is a step back too: of T3, which falls first."""
    suppressed, below = tsh_decimal(asked.limits.suppressed), f"{VALUE} < {edges.low}"
    lower = asked.all_of({_TSH: f"{below} and {VALUE} >= {suppressed}"}, Signs.NOT_FAST)
    title, also = "TSH low", ""
    if t3.swallowed:
        in_range = f"{VALUE} >= {edges.low} and {VALUE} <= {edges.high}"
        lower += f" or {asked.all_of({_TSH: in_range, _T3: _T3_HIGH})}"
        title += ", or free T3 high"
        also = "; or it is within it and free T3 is above its own"
    much = asked.all_of({_TSH: f"{below} and {VALUE} < {suppressed}"})
    return {
        LabReading.LOW: BranchCondition(
            lower,
            title,
            f"TSH at the checkpoint is below {edges.within} but not below {suppressed} mIU/L,"
            f" without {_PULSE}{also}",
        ),
        LabReading.VERY_LOW: BranchCondition(
            f"{much} or {asked.all_of({_TSH: below}, Signs.FAST)}",
            "TSH very low",
            f"TSH at the checkpoint is below {edges.within} and below {suppressed} mIU/L, or below"
            f" the range with {_PULSE}",
        ),
    }


def _in_pregnancy(asked: Asking, t3: T3InPlan) -> Conditions:
    """A low TSH is asked about and lowers nothing by itself."""
    less = "the specialist asks for less: in pregnancy no result lowers the dose by itself"
    return {
        **_by_tsh(asked, t3, _edges(asked.limits)),
        LabReading.LOW: BranchCondition(NEVER, "Not by a result: less", less),
        LabReading.VERY_LOW: BranchCondition(
            NEVER,
            "Not by a result: much less",
            f"{less}; the larger step, where the specialist asks for it",
        ),
    }


# --- central hypothyroidism: by free T4 ------------------------------------------------------


def _central(asked: Asking) -> Conditions:
    no_guide = "(TSH is no guide in central hypothyroidism)"
    inside = {_T4: f"{VALUE} >= {MIDDLE} and {VALUE} <= {TOP}"}
    above = {_T4: f"{VALUE} > {TOP}"}
    so = f"free T4 at the checkpoint is in the upper half of the laboratory's range {no_guide}"
    too_much = f"free T4 at the checkpoint is above the laboratory's range {no_guide}"
    return {
        LabReading.VERY_HIGH: BranchCondition(
            asked.all_of({_T4: f"{VALUE} < {BOTTOM}"}, Signs.CALM),
            "Free T4 very low",
            f"free T4 at the checkpoint is below the laboratory's range {no_guide}{_AND_CALM}",
        ),
        LabReading.HIGH: BranchCondition(
            asked.all_of({_T4: f"{VALUE} >= {BOTTOM} and {VALUE} < {MIDDLE}"}, Signs.CALM),
            "Free T4 low",
            "free T4 at the checkpoint is in the lower half of the laboratory's range"
            f" {no_guide}{_AND_CALM}",
        ),
        LabReading.IN_RANGE: BranchCondition(
            asked.all_of(inside, Signs.CALM), "Free T4 in range", f"{so}{_AND_CALM}"
        ),
        LabReading.SYMPTOMS: BranchCondition(
            asked.all_of(inside, Signs.UNWELL),
            "Symptoms, free T4 in range",
            f"{so}, but {UNWELL}",
        ),
        LabReading.LOW: BranchCondition(
            asked.all_of(above, Signs.NOT_FAST), "Free T4 high", f"{too_much}, without {_PULSE}"
        ),
        LabReading.VERY_LOW: BranchCondition(
            asked.all_of(above, Signs.FAST),
            "Free T4 high, fast pulse",
            f"{too_much}, with {_PULSE}",
        ),
    }


def _central_with_t3(asked: Asking) -> Conditions:
    """Swallowed T3 lowers free T4, so none that is low may raise the dose by itself; nor does a
    result say that the endocrinologist agrees to stay."""
    more = (
        "the endocrinologist asks for {more}, having seen free T4 and free T3: in central"
        " hypothyroidism with T3 that is swallowed no result raises the dose by itself"
    )
    above = {_T4: f"{VALUE} > {TOP}", _T3: _T3_HIGH}
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
            NEVER, "Not by a result: much more", more.format(more="much more")
        ),
        LabReading.HIGH: BranchCondition(NEVER, "Not by a result: more", more.format(more="more")),
        LabReading.HIGH_FREE_T3: BranchCondition(
            NEVER,
            "Not by a result: more T4",
            more.format(more="more levothyroxine and no more T3"),
        ),
        LabReading.IN_RANGE: BranchCondition(NEVER, "Not too much, and agreed", f"{so}{_AND_CALM}"),
        LabReading.SYMPTOMS: BranchCondition(
            NEVER, "Symptoms, not too much, and agreed", f"{so}, but {UNWELL}"
        ),
        LabReading.LOW: BranchCondition(
            asked.any_of(above, Signs.NOT_FAST),
            "Free T4 or free T3 high",
            f"{too_much}, without {_PULSE}",
        ),
        LabReading.VERY_LOW: BranchCondition(
            asked.any_of(above, Signs.FAST),
            "Free T4 or free T3 high, fast pulse",
            f"{too_much}, with {_PULSE}",
        ),
    }
