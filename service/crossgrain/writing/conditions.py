"""The condition of each branch of the checkpoint, in FHIRPath and in plain words.

An expression is evaluated on a Bundle of one draw: its Observations, and the answers to the
questionnaire of how it goes. It needs nothing else: thresholds, units and the days of the draw are
literals, and a laboratory's range is read from the result itself. For any results at most one of
them holds, and none does where there is not exactly one usable result of each test that it needs:
no dose is raised, kept or lowered blind. A TSH that is high together with symptoms of too much
makes none of them hold: it is asked about; so does pain in the chest. The limits are the patient's
own: of age, of pregnancy, of a goal, and in central hypothyroidism of free T4 instead of TSH.

https://hl7.org/fhirpath/N1/
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from fractions import Fraction

from crossgrain.dosing.plan import LabReading, Plan
from crossgrain.dosing.preparations import total
from crossgrain.dosing.steps import Step
from crossgrain.names.identity import HOW_IT_GOES
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import LabCode
from crossgrain.reading.codesystems import Loinc
from crossgrain.safety.facts import Analyte
from crossgrain.safety.results import TshLimits, Whose

LabCodes = Mapping[str, LabCode]
"""What the codes of results say."""


@frozen
class Window:
    """The days of a draw, both included: from that on which blood is drawn to the decision's."""

    first: str
    last: str


@frozen
class Draw:
    """Where the results stand: their codes, and their days where they are of one plan."""

    labs: LabCodes
    window: Window | None = None


_QUANTITY = "value.ofType(Quantity)"
_VALUE = f"{_QUANTITY}.value"
_BOTTOM, _TOP = "referenceRange.low.value", "referenceRange.high.value"
_MIDDLE = f"({_BOTTOM} + {_TOP}) / 2"
_ONE_FOR_ALL = (
    "referenceRange.count() {count} and referenceRange.all((type.empty() or"
    " type.coding.exists(code = 'normal')) and appliesTo.empty() and age.empty())"
)
"""A laboratory's own range that applies to everyone."""
_GOAL = "referenceRange.where(type.coding.exists(code = 'therapeutic'))"
"""HL7's code for the range that is aimed at: terminology.hl7.org, referencerange-meaning."""
_NO_SYMPTOMS = "there are no symptoms of too fast a climb"
_SYMPTOMS = (
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
    low, high = _own("low", limits.low), _own("high", limits.high)
    match limits.whose:
        case Whose.GOAL:
            within = "the TSH range that was set for this patient"
            return _Edges(f"{_GOAL}.low.value", f"{_GOAL}.high.value", within)
        case Whose.PREGNANT:
            top, bottom = _decimal(limits.pregnant_high), _decimal(limits.pregnant_low)
            return _Edges(
                f"iif({low} < {bottom}, {low}, {bottom})",
                f"iif({high} < {top}, {high}, {top})",
                f"the range in pregnancy ({bottom} to {top} mIU/L, or the laboratory's limit"
                " below it)",
            )
        case Whose.OLDER:
            limit, age = _decimal(limits.older_high), decimal(limits.older_years)
            return _Edges(
                low,
                f"iif({high} > {limit}, {high}, {limit})",
                f"this patient's range (the laboratory's; from {age} years up to {limit} mIU/L, or"
                " the laboratory's limit where that is higher)",
            )
        case _:
            return _Edges(low, high, "the laboratory's range")


def _own(end: str, otherwise: Fraction) -> str:
    return f"iif(referenceRange.{end}.exists(), referenceRange.{end}.value, {_decimal(otherwise)})"


# --- by TSH ----------------------------------------------------------------------------------

_TSH, _T4, _T3 = Analyte.TSH, Analyte.FREE_T4, Analyte.FREE_T3
_T3_NOT_HIGH, _T3_HIGH = f"{_VALUE} <= {_TOP}", f"{_VALUE} > {_TOP}"


def _by_tsh(asked: "Asking", t3: T3InPlan, edges: _Edges) -> Conditions:
    return {
        **_tsh_high(asked, t3, edges),
        **_tsh_in_range(asked, t3, edges),
        **_tsh_low(asked, t3, edges),
    }


def _tsh_high(asked: "Asking", t3: T3InPlan, edges: _Edges) -> Conditions:
    """Where the raise would add T3, free T3 has a say: above its range T3 is not to rise."""
    above, within = f"{_VALUE} > {edges.high}", edges.within
    far, shown = _decimal(asked.limits.frankly_high), decimal(asked.limits.frankly_high)
    free_t3 = {_T3: _T3_NOT_HIGH} if t3.rises else {}
    so = f", free T3 is not above its range, and {_NO_SYMPTOMS}" if t3.rises else _AND_CALM
    return {
        LabReading.VERY_HIGH: BranchCondition(
            asked.all_of({_TSH: f"{above} and {_VALUE} > {far}", **free_t3}, Signs.CALM),
            "TSH very high",
            f"TSH at the checkpoint is above {shown} mIU/L and above {within}{so}",
        ),
        LabReading.HIGH: BranchCondition(
            asked.all_of({_TSH: f"{above} and {_VALUE} <= {far}", **free_t3}, Signs.CALM),
            "TSH high",
            f"TSH at the checkpoint is above {within}, up to {shown} mIU/L{so}",
        ),
        **(_both_high(asked, above, within) if t3.rises else {}),
    }


def _both_high(asked: "Asking", above: str, within: str) -> Conditions:
    words = (
        f"TSH at the checkpoint is above {within} and free T3 is above its range too, and"
        f" {_NO_SYMPTOMS}"
    )
    expression = asked.all_of({_TSH: above, _T3: _T3_HIGH}, Signs.CALM)
    title = "TSH high, free T3 high"
    return {LabReading.HIGH_FREE_T3: BranchCondition(expression, title, words)}


def _tsh_in_range(asked: "Asking", t3: T3InPlan, edges: _Edges) -> Conditions:
    inside = {_TSH: f"{_VALUE} >= {edges.low} and {_VALUE} <= {edges.high}"}
    if t3.swallowed:
        inside[_T3] = _T3_NOT_HIGH
    so = f"TSH at the checkpoint is within {edges.within}"
    so += ", free T3 is not above its range" if t3.swallowed else ""
    return {
        LabReading.IN_RANGE: BranchCondition(
            asked.all_of(inside, Signs.CALM), "TSH in range", f"{so}{_AND_CALM}"
        ),
        LabReading.SYMPTOMS: BranchCondition(
            asked.all_of(inside, Signs.UNWELL), "Symptoms, TSH in range", f"{so}, but {_SYMPTOMS}"
        ),
    }


def _tsh_low(asked: "Asking", t3: T3InPlan, edges: _Edges) -> Conditions:
    """Free T3 above its range with a TSH in range is a step back too: of T3, which falls first."""
    suppressed, below = _decimal(asked.limits.suppressed), f"{_VALUE} < {edges.low}"
    lower = asked.all_of({_TSH: f"{below} and {_VALUE} >= {suppressed}"}, Signs.NOT_FAST)
    title, also = "TSH low", ""
    if t3.swallowed:
        in_range = f"{_VALUE} >= {edges.low} and {_VALUE} <= {edges.high}"
        lower += f" or {asked.all_of({_TSH: in_range, _T3: _T3_HIGH})}"
        title += ", or free T3 high"
        also = "; or it is within it and free T3 is above its own"
    much = asked.all_of({_TSH: f"{below} and {_VALUE} < {suppressed}"})
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


def _in_pregnancy(asked: "Asking", t3: T3InPlan) -> Conditions:
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


def _central(asked: "Asking") -> Conditions:
    no_guide = "(TSH is no guide in central hypothyroidism)"
    inside = {_T4: f"{_VALUE} >= {_MIDDLE} and {_VALUE} <= {_TOP}"}
    above = {_T4: f"{_VALUE} > {_TOP}"}
    so = f"free T4 at the checkpoint is in the upper half of the laboratory's range {no_guide}"
    too_much = f"free T4 at the checkpoint is above the laboratory's range {no_guide}"
    return {
        LabReading.VERY_HIGH: BranchCondition(
            asked.all_of({_T4: f"{_VALUE} < {_BOTTOM}"}, Signs.CALM),
            "Free T4 very low",
            f"free T4 at the checkpoint is below the laboratory's range {no_guide}{_AND_CALM}",
        ),
        LabReading.HIGH: BranchCondition(
            asked.all_of({_T4: f"{_VALUE} >= {_BOTTOM} and {_VALUE} < {_MIDDLE}"}, Signs.CALM),
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
            f"{so}, but {_SYMPTOMS}",
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


def _central_with_t3(asked: "Asking") -> Conditions:
    """Swallowed T3 lowers free T4, so none that is low may raise the dose by itself; nor does a
    result say that the endocrinologist agrees to stay."""
    more = (
        "the endocrinologist asks for {more}, having seen free T4 and free T3: in central"
        " hypothyroidism with T3 that is swallowed no result raises the dose by itself"
    )
    above = {_T4: f"{_VALUE} > {_TOP}", _T3: _T3_HIGH}
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
            NEVER, "Symptoms, not too much, and agreed", f"{so}, but {_SYMPTOMS}"
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

NEVER = "false"
"""Of what no result decides."""
_MEANT = "status != 'entered-in-error'"
_SETTLED = "status in ('final' | 'amended' | 'corrected')"
_TSH_UNITS = "('m[IU]/L' | 'u[IU]/mL' | 'mU/L' | 'uU/mL')"
"""The UCUM codes of one and the same unit."""


def _listed(own_ids: Iterable[str]) -> str:
    return " | ".join(f"'{own_id}'" for own_id in own_ids)


def _yes_to(*own_ids: str) -> str:
    return f"item.where(linkId in ({_listed(own_ids)})).answer.where(value = true)"


_OF_A_FAST_HEART = ("palpitations",)
_OF_TOO_MUCH = (*_OF_A_FAST_HEART, "jitters", "sleeplessness")
_ASKED = (*_OF_TOO_MUCH, "chest-pain")
"""The questions of the questionnaire that have a say; each must be answered."""
_ANSWERS = (
    "entry.resource.ofType(QuestionnaireResponse).where("
    f"(questionnaire = '{HOW_IT_GOES}' or questionnaire.startsWith('{HOW_IT_GOES}|'))"
    f" and {_MEANT})"
)
_ALL_ANSWERED = (
    "status in ('completed' | 'amended') and item.linkId.isDistinct() and"
    f" item.where(linkId in ({_listed(_ASKED)}) and answer.value.count() = 1).count() ="
    f" {len(_ASKED)} and {_yes_to('chest-pain')}.empty()"
)
"""Each is answered, and there is no pain in the chest."""


class Signs(StrEnum):
    """What of the answers and the pulse a condition asks for."""

    NOTHING = "nothing"
    CALM = "no sign of too much"
    UNWELL = "a sign of too much"
    FAST = "palpitations or a fast pulse"
    NOT_FAST = "neither"


@frozen
class Asking:
    """Writes expressions over one draw."""

    draw: Draw
    limits: TshLimits

    def all_of(self, of: Mapping[Analyte, str], told: Signs = Signs.NOTHING) -> str:
        """True where there is exactly one result of each test, each is as it says, and so is
        what was told."""
        return self._single(of, told, [self._is(test, says) for test, says in of.items()])

    def any_of(self, of: Mapping[Analyte, str], told: Signs) -> str:
        """The same where it is enough that one of the results is as it says."""
        usable = [self._is(test, "true") for test in of]
        either = " or ".join(self._is(test, says) for test, says in of.items())
        return self._single(of, told, [*usable, f"({either})"])

    def _single(self, of: Mapping[Analyte, str], told: Signs, holds: Sequence[str]) -> str:
        single = [f"{self._results(test)}.count() = 1" for test in of]
        if told is not Signs.NOTHING:
            single.append(f"{_ANSWERS}.count() = 1")
        every = " and ".join((*holds, *self._told(told)))
        return f"iif({' and '.join(single)}, {every}, false)"

    def _results(self, test: Analyte) -> str:
        """Those of a test: of a draw there is one."""
        coded = _listed(code for code, known in self.draw.labs.items() if known.analyte is test)
        return (
            "entry.resource.ofType(Observation).where(code.coding.exists("
            f"system = '{Loinc.system}' and code in ({coded})) and {_MEANT})"
        )

    def _of_the_draw(self, element: str) -> Iterator[str]:
        """Its day is known, and is one of the draw's."""
        window = self.draw.window
        days = f" and $this >= '{window.first}' and $this <= '{window.last}'" if window else ""
        day = f"{element}.ofType(dateTime).toString().substring(0, 10)"
        yield f"{day}.exists(length() = 10{days})"

    def _is(self, test: Analyte, says: str) -> str:
        """The one result is usable, and is as it says."""
        usable = " and ".join(
            (
                _SETTLED,
                *self._of_the_draw("effective"),
                f"{_VALUE}.exists() and {_QUANTITY}.comparator.empty()",
                *self._range_and_unit(test),
            )
        )
        return f"{self._results(test)}.all(iif({usable}, {says}, false))"

    def _range_and_unit(self, test: Analyte) -> Iterator[str]:
        ours = f"{_QUANTITY}.code in {_TSH_UNITS}"
        if test is not Analyte.TSH:
            yield _ONE_FOR_ALL.format(count="= 1")
            yield f"referenceRange.high.code = {_QUANTITY}.code"
            if test is Analyte.FREE_T4:
                yield f"referenceRange.low.code = {_QUANTITY}.code"
        elif self.limits.whose is Whose.GOAL:
            yield ours
            yield f"{_GOAL}.count() = 1"
            for end in ("low", "high"):
                yield f"{_GOAL}.{end}.code in {_TSH_UNITS}"
        else:
            yield ours
            yield _ONE_FOR_ALL.format(count="<= 1")
            yield f"referenceRange.select(low | high).all(code in {_TSH_UNITS})"

    def _told(self, told: Signs) -> Iterator[str]:
        if told is Signs.NOTHING:
            return
        fast = told in {Signs.FAST, Signs.NOT_FAST}
        none = f"{_yes_to(*(_OF_A_FAST_HEART if fast else _OF_TOO_MUCH))}.empty()"
        usable = " and ".join((_ALL_ANSWERED, *self._of_the_draw("authored")))
        if told in {Signs.CALM, Signs.NOT_FAST}:
            yield f"{_ANSWERS}.all({usable} and {none})"
            yield f"{self._fast_pulse()}.empty()"
        else:
            yield f"{_ANSWERS}.all({usable})"
            yield f"({_ANSWERS}.all({none}) and {self._fast_pulse()}.empty()).not()"

    def _fast_pulse(self) -> str:
        above = f"{_QUANTITY}.value > {_decimal(self.limits.fast_pulse)}"
        return f"{self._results(Analyte.HEART_RATE)}.where({above})"


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
            f"Where a TSH has no range of its laboratory, {_decimal(limits.low)} to"
            f" {_decimal(limits.high)} mIU/L is used."
        )
    yield "The range of free T3 is that of the result itself."


def anyones(limits: TshLimits, labs: LabCodes) -> Conditions:
    """The conditions where they are said of no one patient: T3 is swallowed, and may rise."""
    usual = replace(limits, whose=Whose.USUAL)
    return conditions_by(usual, T3InPlan(swallowed=True, rises=True), Draw(labs))


def for_anyone(limits: TshLimits, labs: LabCodes) -> str:
    """On what these are evaluated, and whose limits are others."""
    older, pregnant = _decimal(limits.older_high), _decimal(limits.pregnant_high)
    usual = focus_note(replace(limits, whose=Whose.USUAL), Draw(labs))
    return (
        f"{usual} For one patient the limits of TSH are others from"
        f" {decimal(limits.older_years)} years (up to {older} at least), in pregnancy (up to"
        f" {pregnant} at most) and where TSH is kept low on purpose; in central hypothyroidism free"
        " T4 decides."
    )


def _decimal(limit: Fraction) -> str:
    """A limit of TSH as FHIRPath writes a decimal: every digit, and one at least."""
    written = decimal(limit)
    return written if "." in written else f"{written}.0"


_AND_CALM = f" and {_NO_SYMPTOMS}"
