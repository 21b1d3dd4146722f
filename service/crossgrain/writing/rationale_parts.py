"""An answer's working as one table: each part's name, type, cardinality, meaning and value.

The table is published, and the contained Parameters of a GuidanceResponse is written from it
(`rationale`), so that no answer holds a part that its definition lacks.
"""

from fractions import Fraction
from math import floor
from typing import Any

from crossgrain.dosing.comparison import spread
from crossgrain.dosing.plan import BasisCoverage, BasisRow, Checkpoint, Extreme, Forecast
from crossgrain.dosing.wording import standing_words
from crossgrain.names.printing import exact_decimal
from crossgrain.names.values import frozen
from crossgrain.words.doses import daily_dose, pieces
from crossgrain.writing.elements import quantity, rounded
from crossgrain.writing.letterhead import Letterhead, Wording
from crossgrain.writing.parts import PartDefinition, maybe, one, within


@frozen
class Extremes:
    """The extremes of something modelled, and what gives their days dates."""

    wording: Wording
    lowest: Extreme
    highest: Extreme
    at_end: float | None = None

    def day_of(self, extreme: Extreme) -> str:
        """The date of one of them."""
        return self.wording.iso(floor(extreme.day))


@frozen
class OnBasis(Extremes):
    """Coverage on one basis, or an order judged on one."""

    of: Any = None


@frozen
class _AtCheckpoint:
    """The checkpoint, and what gives its days dates."""

    wording: Wording
    here: Checkpoint


@frozen
class _Way:
    """What the model predicts under one prior therapy."""

    wording: Wording
    forecast: Forecast
    chosen: bool

    def on_bases(self, coverages: tuple[BasisCoverage, ...]) -> list[OnBasis]:
        """Coverage on each basis."""
        return [
            OnBasis(self.wording, each.lowest, each.highest, each.at_end, each)
            for each in coverages
        ]

    def range_of(self, ends: tuple[Extreme, Extreme], at_end: float | None = None) -> Extremes:
        """The extremes of a pool."""
        return Extremes(self.wording, *ends, at_end)


def _ways(letter: Letterhead) -> list[_Way]:
    ways = letter.plan.ways if letter.plan else ()
    return [_Way(letter.wording, each, place == 0) for place, each in enumerate(ways)]


def ratio(value: float | Fraction) -> Any:
    """A ratio to three places."""
    return rounded(float(value), 3)


def a_day(value: Fraction | None) -> Any:
    """An amount a day in microgram; nothing where there is none."""
    return None if value is None else quantity(rounded(value, 1), "ug/d")


DOSE = (
    maybe("lt4", "Quantity", "Levothyroxine a day, microgram", lambda d: a_day(d.lt4_ug or None)),
    maybe("lt3", "Quantity", "Liothyronine a day, microgram", lambda d: a_day(d.lt3_ug or None)),
    maybe(
        "grains", "decimal", "Labelled grains of desiccated thyroid a day",
        lambda d: rounded(d.grains, 3) if d.grains else None,
    ),
)  # fmt: skip
"""Of a `TargetDose`."""
RANGE = (
    one(
        "lowest", "decimal", "Lowest value; 1 is the old regimen at steady state",
        lambda r: ratio(r.lowest.value),
    ),
    one("lowest-on", "date", "Day on which it is lowest", lambda r: r.day_of(r.lowest)),
    one("highest", "decimal", "Highest value", lambda r: ratio(r.highest.value)),
    one("highest-on", "date", "Day on which it is highest", lambda r: r.day_of(r.highest)),
)  # fmt: skip
"""Of `Extremes`."""
AT_END = one("at-end", "decimal", "At the end of the checkpoint hold", lambda r: ratio(r.at_end))
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
            lambda fared: None if fared.typical is None else ratio(fared.typical),
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


@frozen
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
            lambda row: a_day(row.lt4_equivalent_ug),
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
    lambda letter: letter.plan and _AtCheckpoint(letter.wording, letter.plan.checkpoint),
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
                    lambda band: ratio(band.lowest_coverage[0]),
                ),
                one(
                    "lowest-coverage-to", "decimal", "Lowest coverage, at best",
                    lambda band: ratio(band.lowest_coverage[1]),
                ),
                one(
                    "highest-t3-exposure-from", "decimal", "Highest T3 exposure, at least",
                    lambda band: ratio(band.highest_t3_exposure[0]),
                ),
                one(
                    "highest-t3-exposure-to", "decimal", "Highest T3 exposure, at most",
                    lambda band: ratio(band.highest_t3_exposure[1]),
                ),
            ),
            lambda way: way.forecast.band,
        ),
    ),
    _ways,
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
