"""The verdicts on a draft order in words, with every chart's number beside them."""

from collections.abc import Mapping

from crossgrain.names.numbers import Number
from crossgrain.safety.findings import Finding, most_severe_first
from crossgrain.safety.judgement import Ending, OrderJudgement, Verdict
from crossgrain.safety.order import OrderNumbers, Reading
from crossgrain.safety.rule import Hit, Rule, RuleTable, in_general, texts, worded


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
    """What a verdict says of any order; what is only sometimes added to it is left out."""
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
        "lowest": f"{decides.reading(runs=runs).coverage.lowest.value:.2f}",
        "ending": judgement.ending.value.capitalize(),
        "disputes": _disputes(judgement),
        "beside": _beside(numbers) if judgement.ending is Ending.UNKNOWN else "",
        "t3_now": f"{float(t3_ug - numbers.t3_rise(runs=runs)):g}",
        "t3_order": f"{float(t3_ug):g}",
        "exposure": f"{exposure:.2f}",
        **texts(limits),
    }


def _disputes(judgement: OrderJudgement) -> str:
    """The other charts' word, where it differs; a verdict never stands alone."""
    if not judgement.disputes:
        return " Every chart agrees."
    said = (
        f"{d.basis_id} ({d.says.value.replace('-', ' ')})".replace(" switch)", ")")
        for d in judgement.disputes
    )
    return f" The charts disagree: {', '.join(said)}."


def _beside(numbers: OrderNumbers) -> str:
    both = {b.basis_id: b.both for b in numbers.bases}
    return (
        f" Taken beside the old medicine, both together are {_ratios(numbers, both, highest=True)}."
    )


def _ratios(
    numbers: OrderNumbers, readings: Mapping[str, Reading], *, highest: bool = False
) -> str:
    """New over old on each basis: where the doses lead, or the highest on the way."""
    return ", ".join(
        f"{float(readings[b.basis_id].highest if highest else readings[b.basis_id].ratio):.2f}"
        f" on {b.basis_id}"
        for b in numbers.bases
        if b.steers
    )
