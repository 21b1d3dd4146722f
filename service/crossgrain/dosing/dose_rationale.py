"""Why the dose is what it is: what is taken, what that is worth, and the target."""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.comparison import CrossChecks, spread
from crossgrain.dosing.plan import (
    Plan,
    Statement,
)
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target
from crossgrain.dosing.wording import (
    dose_words,
)
from crossgrain.names.printing import (
    amount,
    decimal,
    in_grains,
    micrograms,
    quantity,
)


def explain_dose(case: SwitchCase, plan: Plan, checks: CrossChecks) -> tuple[Statement, ...]:
    """The first part of a rationale: what is taken, what that is worth, and the target."""
    return (
        *taken_now(case.regimen),
        *worth(case, plan),
        _target(case, plan),
        *_against_tables(case, plan, checks),
    )


def by_weight(checks: CrossChecks, weight_kg: Fraction | None) -> Iterator[Statement]:
    """What full replacement is for a patient of that weight, where the weight is known."""
    if weight_kg is not None:
        full = checks.lt4_ug_per_kg * weight_kg
        yield Statement(
            f"Full replacement by weight would be {micrograms(full)} of LT4 a day",
            f"{amount(checks.lt4_ug_per_kg)} micrograms/kg × {decimal(weight_kg)} kg;"
            " a reference beside the bases, not a target",
            (),
            checks.weight_source,
        )


def by_need(said: Statement | None, plan: Plan) -> Iterator[Statement]:
    """What today's TSH changed, and why; or why it changed nothing."""
    if said is None:
        return
    if plan.exchange:
        title = "Today's TSH changes nothing of this plan"
        why = f"one product takes the place of another, as many grains of it. {said.arithmetic}"
        said = replace(said, title=title, arithmetic=why)
    yield said


def taken_now(regimen: Regimen) -> Iterator[Statement]:
    """What is taken, and the hormone in it."""
    for line in regimen:
        preparation, unit = line.preparation, line.preparation.unit
        cycle = " + ".join(amount(dose) for dose in line.cycle)
        mean = f"({cycle}) / {len(line.cycle)} days = " if len(line.cycle) > 1 else ""
        labelled = f" = {in_grains(line.grains)}" if line.grains else ""
        yield Statement(
            f"Taken now: {preparation.name} {quantity(line.daily, unit)} a day",
            f"{mean}{quantity(line.daily, unit)}{labelled} a day, which holds"
            f" {micrograms(line.t4_ug)} of T4 and {micrograms(line.t3_ug)} of T3",
            (line.origin,) if line.origin else (),
            preparation.source,
        )


def worth(case: SwitchCase, plan: Plan) -> Iterator[Statement]:
    """What that is worth on every basis."""
    by_id = {enabled.basis.id: enabled for enabled in case.enabled}
    for row in plan.comparison:
        if row.lt4_equivalent_ug is None or row.target is None:
            yield Statement(
                f"The basis “{row.basis_id}” gives no answer here",
                row.refused,
                (),
                row.basis.source,
            )
            continue
        enabled = by_id.get(row.basis_id)
        use = "" if row.sets_checkpoint else " (for comparison only; steers nothing)"
        yield Statement(
            f"On the basis “{row.basis_id}” that is {micrograms(row.lt4_equivalent_ug)} of"
            f" LT4 a day,"
            f" and the target {dose_words(row.target)}{use}",
            _arithmetic(case, enabled) if enabled else row.basis.statement,
            _origins(case),
            f"{row.basis.source} [{row.basis.grade}]",
        )


def _arithmetic(case: SwitchCase, enabled: Enabled) -> str:
    regimen, weights = case.regimen, enabled.weights
    lt4, lt3, taken = regimen.pure_t4_ug, regimen.pure_t3_ug, regimen.grains
    terms = (
        f"{micrograms(lt4)} of LT4" if lt4 else "",
        f"{in_grains(taken)} × {decimal(weights.lt4_ug_per_grain)}" if taken else "",
        f"{micrograms(lt3)} of LT3 × {decimal(weights.lt4_ug_per_lt3_ug)}" if lt3 else "",
    )
    sum_of = " + ".join(filter(None, terms))
    marked = "; a table chart, shown by its straight line at this dose" if weights.secant else ""
    return f"{sum_of} = {micrograms(enabled.lt4_equivalent_ug)} of LT4{marked}"


def _origins(case: SwitchCase) -> tuple[str, ...]:
    return tuple(line.origin for line in case.regimen if line.origin)


def _target(case: SwitchCase, plan: Plan) -> Statement:
    shares = [rung.target for rung in plan.checkpoint.ladder]
    factor = spread(plan.comparison) or Fraction(1)
    tablets = "; ".join(
        line.note or f"{line.preparation.name} {quantity(line.amount, line.preparation.unit)}"
        for line in plan.aim_tablets
    )
    lowered = f"{decimal(case.lowers)} times what the chart gives; " if case.lowers != 1 else ""
    return Statement(
        f"The target on the chosen basis “{plan.basis_id}” is {dose_words(plan.aim)}",
        f"{lowered}nearest tablets: {tablets}. The bases in use disagree by a factor of"
        f" {decimal(factor)}: from {dose_words(shares[0])} to {dose_words(shares[-1])}",
        _origins(case),
        "each basis' own source",
    )


def _against_tables(case: SwitchCase, plan: Plan, checks: CrossChecks) -> Iterator[Statement]:
    kinds = case.regimen.kinds
    if plan.target is Target.LEVOTHYROXINE and kinds == {Kind.DESICCATED_THYROID}:
        mg = sum((line.daily for line in case.regimen), Fraction(0))
        limits = checks.lt4_range(mg)
        if limits:
            low, high = limits
            lt4_ug = plan.aim.lt4_ug / case.lowers  # the table is of equivalents, not of needs
            what = "target" if case.lowers == 1 else "equivalent"
            inside = low <= lt4_ug <= high
            yield Statement(
                f"A published table puts LT4 between {amount(low)} and {micrograms(high)}; the"
                f" {what} lies {'inside' if inside else 'outside'} that range",
                f"{amount(mg)} mg desiccated: {amount(low)} to {micrograms(high)}, against"
                f" {micrograms(lt4_ug)} on “{plan.basis_id}”",
                _origins(case),
                checks.handout_source,
            )
    if Kind.DESICCATED_THYROID in kinds or plan.aim.grains:
        content = case.enabled[0].basis.content
        yield Statement(
            "A labelled grain is counted the same in both strength families",
            f"{micrograms(content.t4_ug)} of T4 and {micrograms(content.t3_ug)} of T3"
            f" per 60 or 65"
            " mg; if content went by mg instead, the other family would hold 8 % more or less",
            (),
            "US desiccated thyroid label (per 65 mg); common practice (per 60 mg)",
        )
