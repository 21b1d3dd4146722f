"""The verdict on a draft order as written, and what is said of it with every chart's number.

The chosen basis decides; the others are shown beside it, and those that would decide otherwise are
named. A record may say nothing of whether the old medicine ends: the order is then judged as a
switch, and it is pointed out where taking both would be too much.
"""

from collections.abc import Mapping
from enum import StrEnum

from crossgrain.names.errors import Category, DomainError
from crossgrain.names.numbers import Number
from crossgrain.names.printing import amount, decimal, percent
from crossgrain.names.values import frozen
from crossgrain.safety.order import BasisNumbers, OrderNumbers, OrderReading
from crossgrain.safety.rule import (
    Finding,
    Hit,
    Rule,
    RuleTable,
    in_general,
    most_severe_first,
    texts,
    worded,
)

JUDGEMENT_NUMBERS = frozenset(
    {"under", "over", "t3_jump_ug", "lowest_coverage", "highest_exposure", "horizon"}
)
"""The thresholds that a verdict needs, as the rules file names them."""


class Verdict(StrEnum):
    """What is said of an order; the values are the codes of the rules file."""

    DUPLICATE = "duplicate-therapy"
    OVER = "over-dosed-switch"
    UNDER = "under-dosed-switch"
    T3_JUMP = "t3-jump"
    BESIDE_PLAN = "beside-running-plan"
    FITS = "fits"


VERDICTS: Mapping[str, str] = {
    Verdict.DUPLICATE: "old and new together",
    Verdict.OVER: "too much at once",
    Verdict.UNDER: "an under-dosed switch",
    Verdict.T3_JUMP: "T3 rises too much at once",
    Verdict.BESIDE_PLAN: "a dose changed in the midst of a running plan",
    Verdict.FITS: "fits",
}
"""Each verdict in a few words."""


class Ending(StrEnum):
    """What the record says of the old medicine once the order starts."""

    ENDS = "the old medicine ends"
    RUNS = "the old medicine is left running"
    UNKNOWN = "nothing says that the old medicine ends"


@frozen
class Dispute:
    """A steering basis that sizes the order otherwise than the one that decides."""

    basis_id: str
    says: Verdict


@frozen
class OrderJudgement:
    """The verdicts on an order, the one to lead with first, and the numbers behind them.

    `basis_id` is the basis that decided: the chosen one, or the first that reaches the doses where
    that is a table chart which does not. `disputes` are the steering bases that would decide
    otherwise between under-dosed, over-dosed and neither.
    """

    verdicts: tuple[Verdict, ...]
    basis_id: str
    disputes: tuple[Dispute, ...]
    ending: Ending
    numbers: OrderNumbers

    @property
    def verdict(self) -> Verdict:
        """The one to lead with."""
        return self.verdicts[0]


def judge_order(
    numbers: OrderNumbers, basis_id: str, ending: Ending, rules: RuleTable
) -> OrderJudgement:
    """Reach a verdict.

    Raises
    ------
    DomainError
        ``out-of-range`` where no basis that steers a plan reaches the doses.
    """
    steering = [b for b in numbers.bases if b.steers]
    chosen = [b for b in steering if b.basis_id == basis_id] or steering
    if not chosen:
        raise DomainError(
            Category.OUT_OF_RANGE, "order", "no chart that steers a plan reaches this dose"
        )
    decides, limits, runs = chosen[0], rules.judgement, ending is Ending.RUNS
    sizes = {b.basis_id: _size(b.reading(runs=runs), limits) for b in steering}
    size = sizes[decides.basis_id]
    return OrderJudgement(
        verdicts=_verdicts(numbers, decides, size, ending, limits),
        basis_id=decides.basis_id,
        disputes=tuple(Dispute(b, says) for b, says in sizes.items() if says is not size),
        ending=ending,
        numbers=numbers,
    )


def _verdicts(
    numbers: OrderNumbers,
    decides: BasisNumbers,
    size: Verdict,
    ending: Ending,
    limits: Mapping[str, Number],
) -> tuple[Verdict, ...]:
    """Every verdict that holds. Duplicate therapy leads only where it is known."""
    duplicate = ending is not Ending.ENDS and decides.both.highest > limits["over"].value
    if ending is Ending.UNKNOWN and numbers.changes_a_line:
        duplicate = False  # a new dose of what is taken is understood to replace the old dose
    runs = ending is Ending.RUNS
    holds = {
        Verdict.DUPLICATE: duplicate and runs,
        Verdict.OVER: size is Verdict.OVER and not runs,
        Verdict.UNDER: size is Verdict.UNDER,
        Verdict.T3_JUMP: _jumps(numbers, runs, limits),
    }
    found = [verdict for verdict, held in holds.items() if held]
    if duplicate and not runs:
        found.append(Verdict.DUPLICATE)
    return tuple(found) or (Verdict.FITS,)


def _size(reading: OrderReading, limits: Mapping[str, Number]) -> Verdict:
    if reading.highest > limits["over"].value:
        return Verdict.OVER
    dips = reading.coverage.lowest.value < float(limits["lowest_coverage"].value)
    if dips or reading.ratio < limits["under"].value:
        return Verdict.UNDER
    return Verdict.FITS


def _jumps(numbers: OrderNumbers, runs: bool, limits: Mapping[str, Number]) -> bool:
    _, exposure = numbers.t3(runs=runs)
    return numbers.t3_rise(runs=runs) > limits["t3_jump_ug"].value or exposure > float(
        limits["highest_exposure"].value
    )


def order_findings(judgement: OrderJudgement, rules: RuleTable) -> tuple[Finding, ...]:
    """One finding per verdict, most severe first; codes are ``order-`` and the verdict's."""
    origins = tuple(line.origin for line in judgement.numbers.order)
    return most_severe_first(
        tuple(
            worded(
                rules.verdicts[verdict],
                f"order-{verdict}",
                Hit(origins, _fills(judgement, rules.judgement, verdict)),
            )
            for verdict in judgement.verdicts
        )
    )


def verdict_in_general(rule: Rule, rules: RuleTable) -> str:
    """What a verdict says of any order, without what is added only in some cases."""
    said = {
        "ending": "The old medicine is left running, or nothing says that it ends",
        "disputes": "",
        "beside": "",
        **texts(rules.judgement),
    }
    return in_general(rule, said)


def _fills(
    judgement: OrderJudgement, limits: Mapping[str, Number], verdict: Verdict
) -> dict[str, str]:
    numbers, runs = judgement.numbers, judgement.ending is Ending.RUNS
    decides = next(b for b in numbers.bases if b.basis_id == judgement.basis_id)
    t3_ug, exposure = numbers.t3(runs=runs)
    return {
        "basis": judgement.basis_id,
        "ratios": _ratios(
            numbers,
            {b.basis_id: b.reading(runs=runs) for b in numbers.bases},
            highest=verdict is Verdict.OVER,
        ),
        "both_ratios": _ratios(numbers, {b.basis_id: b.both for b in numbers.bases}, highest=True),
        "lowest": percent(decides.reading(runs=runs).coverage.lowest.value),
        "ending": judgement.ending.value.capitalize(),
        "disputes": _disputes(judgement),
        "beside": _beside(numbers) if judgement.ending is Ending.UNKNOWN else "",
        "t3_now": amount(t3_ug - numbers.t3_rise(runs=runs)),
        "t3_order": amount(t3_ug),
        "exposure": percent(exposure),
        **texts(limits),
    }


def _disputes(judgement: OrderJudgement) -> str:
    """What the other charts say, where it differs; a verdict never stands alone."""
    if not judgement.disputes:
        return " Every chart agrees."
    said = (f"{d.basis_id} ({VERDICTS[d.says]})" for d in judgement.disputes)
    return f" The charts disagree: {', '.join(said)}."


def _beside(numbers: OrderNumbers) -> str:
    both = {b.basis_id: b.both for b in numbers.bases}
    return (
        f" Taken beside the old medicine, both together are {_ratios(numbers, both, highest=True)}."
    )


def _ratios(
    numbers: OrderNumbers, readings: Mapping[str, OrderReading], *, highest: bool = False
) -> str:
    """New over old on each basis: of the doses in the end, or the highest on the way."""
    return ", ".join(
        f"{decimal(readings[b.basis_id].highest if highest else readings[b.basis_id].ratio)}"
        f" on {b.basis_id}"
        for b in numbers.bases
        if b.steers
    )
