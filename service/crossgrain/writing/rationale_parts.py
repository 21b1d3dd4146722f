"""An answer's working, by one table: of each part its name, type, number, meaning, and its value.

The table is published, and the contained Parameters of a GuidanceResponse is written from it
(`rationale`), so that no answer holds a part that its definition lacks.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import floor
from typing import Any

from crossgrain.dosing.comparison import spread
from crossgrain.dosing.plan import BasisCoverage, BasisRow, Checkpoint, Extreme, Forecast
from crossgrain.dosing.wording import standing_words
from crossgrain.names.printing import exact_decimal
from crossgrain.safety.judgement import OrderJudgement
from crossgrain.safety.order import BasisNumbers, OrderReading
from crossgrain.words.doses import daily_dose, pieces
from crossgrain.writing.elements import quantity, rounded
from crossgrain.writing.letterhead import Letterhead, Wording
from crossgrain.writing.parts import PartDefinition, maybe, one, within


@dataclass(frozen=True, slots=True)
class _Range:
    """The extremes of something modelled, and what gives their days dates."""

    wording: Wording
    lowest: Extreme
    highest: Extreme
    at_end: float | None = None

    def day_of(self, extreme: Extreme) -> str:
        """The date of one of them."""
        return self.wording.iso(floor(extreme.day))


@dataclass(frozen=True, slots=True)
class _OnBasis(_Range):
    """Coverage on one basis, or an order judged on one."""

    of: Any = None


@dataclass(frozen=True, slots=True)
class _JudgedOnBasis:
    """An order judged on one basis."""

    wording: Wording
    of: BasisNumbers

    def reading(self, reading: OrderReading) -> _OnBasis:
        """What would be taken, by one reading of the order."""
        coverage = reading.coverage
        return _OnBasis(self.wording, coverage.lowest, coverage.highest, of=reading)


@dataclass(frozen=True, slots=True)
class _OrderJudged:
    """A draft order and what is said of it."""

    wording: Wording
    judged: OrderJudgement


@dataclass(frozen=True, slots=True)
class _Waiting:
    """The checkpoint, and what gives its days dates."""

    wording: Wording
    here: Checkpoint


@dataclass(frozen=True, slots=True)
class _Way:
    """What the model predicts under one prior therapy."""

    wording: Wording
    forecast: Forecast
    chosen: bool

    def on_bases(self, coverages: tuple[BasisCoverage, ...]) -> list[_OnBasis]:
        """Coverage on each basis."""
        return [
            _OnBasis(self.wording, each.lowest, each.highest, each.at_end, each)
            for each in coverages
        ]

    def range_of(self, ends: tuple[Extreme, Extreme], at_end: float | None = None) -> _Range:
        """The extremes of a pool."""
        return _Range(self.wording, *ends, at_end)


def _ways(letter: Letterhead) -> list[_Way]:
    ways = letter.plan.ways if letter.plan else ()
    return [_Way(letter.wording, each, place == 0) for place, each in enumerate(ways)]


def _ratio(value: float | Fraction) -> Any:
    return rounded(float(value), 3)


def _daily(value: Fraction | None) -> Any:
    """An amount a day in microgram; nothing where there is none."""
    return None if value is None else quantity(rounded(value, 1), "ug/d")


DOSE = (
    maybe("lt4", "Quantity", "Levothyroxine a day, microgram", lambda d: _daily(d.lt4_ug or None)),
    maybe("lt3", "Quantity", "Liothyronine a day, microgram", lambda d: _daily(d.lt3_ug or None)),
    maybe(
        "grains", "decimal", "Labelled grains of desiccated thyroid a day",
        lambda d: rounded(d.grains, 3) if d.grains else None,
    ),
)  # fmt: skip
"""Of a `TargetDose`."""
RANGE = (
    one(
        "lowest", "decimal", "Lowest value; 1 is the old regimen at steady state",
        lambda r: _ratio(r.lowest.value),
    ),
    one("lowest-on", "date", "Day on which it is lowest", lambda r: r.day_of(r.lowest)),
    one("highest", "decimal", "Highest value", lambda r: _ratio(r.highest.value)),
    one("highest-on", "date", "Day on which it is highest", lambda r: r.day_of(r.highest)),
)  # fmt: skip
"""Of a `_Range`."""
AT_END = one("at-end", "decimal", "At the end of the checkpoint hold", lambda r: _ratio(r.at_end))
STATEMENT = PartDefinition(
    "statement", "", 0, "*", "One link of the rationale, in order",
    (
        one("title", "string", "What was concluded", lambda said: said.title),
        one("arithmetic", "string", "The arithmetic, spelled out", lambda said: said.arithmetic),
        PartDefinition(
            "input", "string", 0, "*", "FHIRPath of an element that it rests on",
            value=lambda said: list(said.inputs),
        ),
        one("source", "string", "On whose word", lambda said: said.source),
    ),
    lambda plan: list(plan.rationale),
)  # fmt: skip
EVIDENCE = PartDefinition(
    "evidence", "", 0, "1", "How the basis fared against published comparisons at the same TSH",
    (
        one("comparisons", "integer", "How many it was held against", lambda fared: fared.held),
        maybe(
            "typical", "decimal", "Median of what it counts over what TSH said; 1 is right",
            lambda fared: None if fared.typical is None else _ratio(fared.typical),
        ),
        one("words", "string", "The same in words, with the ends", standing_words),
    ),
    lambda row: row.basis.standing,
)  # fmt: skip
BASIS_HEAD = (
    one("id", "code", "The basis", lambda row: row.basis_id),
    one("statement", "string", "What it says", lambda row: row.basis.statement),
    one("source", "string", "Where it comes from", lambda row: row.basis.source),
    one("grade", "code", "How much stands behind it", lambda row: row.basis.grade),
    one(
        "sets-checkpoint", "boolean", "Whether it steers the plan",
        lambda row: row.sets_checkpoint,
    ),
)  # fmt: skip
"""What every answer says of a basis before its numbers: of a `BasisRow`."""


@dataclass(frozen=True, slots=True)
class _Compared(BasisRow):
    """A row of the comparison, and whether the target is taken from it."""

    chosen: bool = False


def _compared(letter: Letterhead) -> list[_Compared]:
    plan = letter.plan
    rows = plan.comparison if plan else ()
    return [
        _Compared(r.basis, r.lt4_equivalent_ug, r.target, r.refused, r.basis_id == plan.basis_id)
        for r in rows
        if plan
    ]


BASIS = PartDefinition(
    "basis", "", 0, "*", "What one basis of equivalence makes of the regimen taken now",
    (
        *BASIS_HEAD,
        one("chosen", "boolean", "Whether the target was taken from it", lambda row: row.chosen),
        maybe(
            "lt4-equivalent", "Quantity", "LT4-equivalent of the regimen taken now",
            lambda row: _daily(row.lt4_equivalent_ug),
        ),
        *within(lambda row: row.target, *DOSE),
        maybe(
            "refused", "string", "Why a chart gives no answer here", lambda row: row.refused or None
        ),
        EVIDENCE,
    ),
    _compared,
)  # fmt: skip
CHECKPOINT = PartDefinition(
    "checkpoint", "", 0, "1", "Where the plan waits for labs",
    (
        one(
            "set-by", "code", "The basis with the smallest target along the climb",
            lambda at: at.here.set_by,
        ),
        *within(lambda at: at.here.dose, *DOSE),
        PartDefinition(
            "held", "", 0, "1", "What is taken meanwhile, where that is more", DOSE,
            lambda at: at.here.held if at.here.held_above else None,
        ),
        one(
            "reached-on", "date", "Day on which its dose is reached",
            lambda at: at.wording.iso(at.here.day),
        ),
        one(
            "labs-on", "date", "Day on which blood is drawn",
            lambda at: at.wording.iso(at.here.lab_day),
        ),
        one(
            "decision-on", "date", "Day on which one branch starts",
            lambda at: at.wording.iso(at.here.decision_day),
        ),
        PartDefinition(
            "rung", "", 0, "*", "Each basis' target in climbing order",
            (
                one("basis", "code", "The basis", lambda rung: rung.basis_id),
                *within(lambda rung: rung.target, *DOSE),
            ),
            lambda at: list(at.here.ladder),
        ),
    ),
    lambda letter: letter.plan and _Waiting(letter.wording, letter.plan.checkpoint),
)  # fmt: skip
COVERAGE = (
    one("basis", "code", "The basis", lambda on: on.of.basis_id),
    *RANGE,
    AT_END,
    one(
        "secant", "boolean", "Whether a table chart was replaced by its secant",
        lambda on: on.of.secant,
    ),
)  # fmt: skip
FORECAST = PartDefinition(
    "forecast", "", 0, "2", "What the model predicts under one prior therapy",
    (
        one(
            "prior-therapy", "code", "What happens to the old medicine: overlap or stop",
            lambda way: way.forecast.prior_therapy,
        ),
        one("chosen", "boolean", "Whether it is the one proposed", lambda way: way.chosen),
        PartDefinition(
            "coverage", "", 1, "*", "Modelled hormone over that of the old regimen, on one basis",
            COVERAGE, lambda way: way.on_bases(way.forecast.coverage),
        ),
        PartDefinition(
            "coverage-of-need", "", 0, "*",
            "The same over that of need times the old regimen, taken from day one on; 1 is what is"
            " needed",
            COVERAGE, lambda way: way.on_bases(way.forecast.of_need),
        ),
        PartDefinition(
            "t3-exposure", "", 1, "1", "The whole T3 pool over the old regimen's",
            (*RANGE, AT_END),
            lambda way: way.range_of(way.forecast.t3_exposure, way.forecast.t3_exposure_at_end),
        ),
        PartDefinition(
            "t4-pool", "", 0, "1", "The T4 pool over the old regimen's, where that held T4", RANGE,
            lambda way: way.forecast.t4_pool and way.range_of(way.forecast.t4_pool),
        ),
        one(
            "t4-pool-end", "Quantity", "The T4 pool at the end of the hold, microgram",
            lambda way: quantity(rounded(way.forecast.t4_pool_end_ug, 1), "ug"),
        ),
        one(
            "steady-on", "date", "First day that the model calls steady",
            lambda way: way.wording.iso(way.forecast.steady_day),
        ),
        PartDefinition(
            "band", "", 0, "1", "The same over the whole band of the model's parameters",
            (
                one(
                    "lowest-coverage-from", "decimal", "Lowest coverage, at worst",
                    lambda band: _ratio(band.lowest_coverage[0]),
                ),
                one(
                    "lowest-coverage-to", "decimal", "Lowest coverage, at best",
                    lambda band: _ratio(band.lowest_coverage[1]),
                ),
                one(
                    "highest-t3-exposure-from", "decimal", "Highest T3 exposure, at least",
                    lambda band: _ratio(band.highest_t3_exposure[0]),
                ),
                one(
                    "highest-t3-exposure-to", "decimal", "Highest T3 exposure, at most",
                    lambda band: _ratio(band.highest_t3_exposure[1]),
                ),
            ),
            lambda way: way.forecast.band,
        ),
    ),
    _ways,
)  # fmt: skip
READING = (
    one(
        "lt4-equivalent", "Quantity", "LT4-equivalent of what would be taken",
        lambda on: _daily(on.of.lt4_ug),
    ),
    one(
        "ratio", "decimal", "That over the LT4-equivalent of the regimen taken now",
        lambda on: _ratio(on.of.ratio),
    ),
    *RANGE,
)  # fmt: skip
ORDER = PartDefinition(
    "order", "", 0, "1", "The draft order, judged as written against the regimen taken now",
    (
        PartDefinition(
            "verdict", "code", 1, "*", "What is said of it, the one to lead with first",
            value=lambda order: list(order.judged.verdicts),
        ),
        one(
            "decided-on", "code", "The basis that decided", lambda order: order.judged.basis_id
        ),
        one(
            "ending", "string", "What the record says of the old medicine",
            lambda order: order.judged.ending.value,
        ),
        PartDefinition(
            "basis", "", 1, "*", "The order on one basis",
            (
                one("id", "code", "The basis", lambda on: on.of.basis_id),
                one(
                    "sets-checkpoint", "boolean", "Whether it steers a plan",
                    lambda on: on.of.steers,
                ),
                one(
                    "now", "Quantity", "LT4-equivalent of the regimen taken now",
                    lambda on: _daily(on.of.now_lt4_ug),
                ),
                one(
                    "order", "Quantity", "LT4-equivalent of the order",
                    lambda on: _daily(on.of.order_lt4_ug),
                ),
                PartDefinition(
                    "switched", "", 1, "1", "If the old medicine stops", READING,
                    lambda on: on.reading(on.of.switched),
                ),
                PartDefinition(
                    "both", "", 1, "1", "If the old medicine is left running", READING,
                    lambda on: on.reading(on.of.both),
                ),
            ),
            lambda order: [
                _JudgedOnBasis(order.wording, each) for each in order.judged.numbers.bases
            ],
        ),
        *within(
            lambda order: order.judged.numbers,
            one(
                "t3-now", "Quantity", "Swallowed T3 a day now, microgram",
                lambda numbers: _daily(numbers.t3_now_ug),
            ),
            one(
                "t3-switched", "Quantity", "Swallowed T3 a day if the old medicine stops",
                lambda numbers: _daily(numbers.t3_switched_ug),
            ),
            one(
                "t3-both", "Quantity", "Swallowed T3 a day if it is left running",
                lambda numbers: _daily(numbers.t3_both_ug),
            ),
            one(
                "t3-exposure-switched", "decimal", "Highest T3 exposure if the old medicine stops",
                lambda numbers: _ratio(numbers.exposure_switched.value),
            ),
            one(
                "t3-exposure-both", "decimal", "Highest T3 exposure if it is left running",
                lambda numbers: _ratio(numbers.exposure_both.value),
            ),
        ),
    ),
    lambda letter: letter.proposal.judgement
    and _OrderJudged(letter.wording, letter.proposal.judgement),
)  # fmt: skip
ASKED = (
    one("as-of", "date", "The day that the record was read", lambda letter: letter.authored),
    one("start", "date", "Day one of the plan", lambda letter: letter.iso(0)),
    maybe(
        "target", "code", "What the patient is to move to",
        lambda letter: letter.proposal.target or None,
    ),
    one(
        "requested-basis", "code", "The basis that the target is taken from",
        lambda letter: letter.proposal.request.basis_id,
    ),
    one(
        "pace", "code", "How fast the doses were asked to climb",
        lambda letter: letter.proposal.request.pace,
    ),
    one(
        "prior-therapy", "code", "What was asked for the old medicine",
        lambda letter: letter.proposal.request.prior_therapy,
    ),
)  # fmt: skip
PLANNED = (
    *within(
        lambda letter: letter.plan,
        maybe(
            "planned-pace", "code", "How fast they do: a finding may slow them",
            lambda plan: plan.pace,
        ),
        maybe(
            "planned-prior-therapy", "code", "What is planned: a finding may rule `stop` out",
            lambda plan: plan.prior_therapy,
        ),
        maybe(
            "need", "decimal",
            "What is needed by today's TSH, as a part of what is taken now",
            lambda plan: exact_decimal(plan.need),
        ),
        STATEMENT,
    ),
    BASIS,
    *within(
        lambda letter: letter.plan,
        maybe(
            "spread", "decimal",
            "Highest target over lowest, over the bases that steer the plan",
            lambda plan: None
            if (factor := spread(plan.comparison)) is None
            else rounded(factor, 2),
        ),
        PartDefinition(
            "aim", "", 0, "1", "The chosen basis' target",
            (
                *within(lambda plan: plan.aim, *DOSE),
                PartDefinition(
                    "tablets", "string", 0, "*", "The orderable dose nearest to it",
                    value=lambda plan: [
                        f"{daily_dose(line)}: {pieces(line)}" for line in plan.aim_tablets
                    ],
                ),
            ),
            lambda plan: plan,
        ),
    ),
    CHECKPOINT,
    FORECAST,
)  # fmt: skip
RATIONALE_PARTS = (*ASKED, ORDER, *PLANNED)
"""Of a `Letterhead`."""
