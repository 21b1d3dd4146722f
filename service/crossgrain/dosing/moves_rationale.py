"""How the plan gets there and why: statements in order, each with arithmetic and source."""

from collections.abc import Iterator, Sequence

from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import t3_at_goal, t3_before
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.moves import medicines
from crossgrain.dosing.plan import (
    BasisCoverage,
    Branch,
    Forecast,
    LabReading,
    Plan,
    Statement,
)
from crossgrain.dosing.taper_rationale import prior_therapy, simplicity
from crossgrain.dosing.targets import Target
from crossgrain.dosing.wording import (
    by_weight_words,
    dose_words,
    exchanged_words,
    off_ratio,
    ratio_limits,
)
from crossgrain.names.printing import (
    amount,
    decimal,
    grains,
    in_grains,
    micrograms,
    modelled,
    percent,
    quantity,
)


def explain_moves(case: SwitchCase, plan: Plan) -> tuple[Statement, ...]:
    """The second part: how the plan gets there. It names nothing of a patient's record."""
    return (
        *(_exchange(case, plan.exchange) if plan.exchange else _climb(case, plan)),
        *_whole_weeks(case, plan),
        *(forecasted(case, forecast) for forecast in plan.ways),
        *branches(plan),
        *_labs(case, plan),
        model(case),
    )


def _climb(case: SwitchCase, plan: Plan) -> Iterator[Statement]:
    yield _checkpoint(case, plan)
    yield _pace(case, plan)
    yield prior_therapy(plan)
    yield from simplicity(case, plan)


def _exchange(case: SwitchCase, exchange: Exchange) -> Iterator[Statement]:
    yield Statement(
        f"{exchanged_words(exchange)} The old product ends and the new one begins on the same day",
        f"{in_grains(exchange.grains)} by the label before,"
        f" {grains(exchange.new.grains(exchange.new_mg))} after: the nearest dose that tablets make"
        f" and that is not above it; never below {percent(case.policy.exchange_lowest)} of"
        f" it. {by_weight_words(exchange)}",
        (),
        f"before: {'; '.join(product.source for product, _ in exchange.old)}."
        f" After: {exchange.new.source}",
    )
    yield Statement(
        "Nothing climbs and nothing tapers: labs before the first dose of the new product and once"
        " it has settled",
        "two products are never taken side by side; what neither label shows, a TSH does",
        (),
        "TSH 4 to 6 weeks after a change of product (secondary); content may differ by a tenth"
        " between products that both meet the pharmacopoeia, 90-110 % (from memory)",
    )


def _whole_weeks(case: SwitchCase, plan: Plan) -> Iterator[Statement]:
    """Whether LT4 comes in whole tablets, and what two of them that share a week do to its pool."""
    source = case.policy.weekly_source
    if plan.weekly_withheld:
        yield Statement(
            "No weekly pattern: every day is like the next for this patient",
            "asked for, and withheld in pregnancy, with heart disease and from 65 years, where a"
            " mistaken day weighs more than a broken tablet",
            (),
            "our judgement",
        )
    if not plan.weekly:
        return
    steps = (*plan.steps, *(step for b in plan.checkpoint.branches for step in b.steps))
    shared = {line.amount for step in steps for line in step.lines if line.week}
    doses = ", ".join(micrograms(dose) for dose in sorted(shared)) or "none"
    yield Statement(
        "Levothyroxine in whole tablets alone, two of which may share the days of a week",
        f"mean daily doses made so: {doses}; one tablet on four days, the other on three, the"
        f" larger at most {decimal(case.policy.weekly_apart)} times the smaller. Coverage is"
        " forecast from the mean day",
        (),
        source,
    )


def _checkpoint(case: SwitchCase, plan: Plan) -> Statement:
    checkpoint = plan.checkpoint
    rungs = ", ".join(f"“{rung.basis_id}” {dose_words(rung.target)}" for rung in checkpoint.ladder)
    above = (
        f"; held at {dose_words(checkpoint.held)}, as the taper hedges over the bases"
        if checkpoint.held_above
        else ""
    )
    lowered = f", each {decimal(case.lowers)} times what it gives" if case.lowers != 1 else ""
    combined = plan.target is Target.LT4_LT3
    rounded = (
        f"tablets that keep T4 to T3 at {ratio_limits(case.policy.combining)} (ETA 2012)"
        if combined
        else "the increments of the climb, never below one"
    )
    outside = off_ratio(checkpoint.held, case.policy.combining) if combined else ""
    return Statement(
        f"The climb waits for labs at {dose_words(checkpoint.dose)}, the target of"
        f" “{checkpoint.set_by}”",
        f"targets along the climb: {rungs}{lowered}; rounded to {rounded}{above}.{outside} No dose"
        " past it without a TSH in between",
        (),
        "the smallest target that any enabled basis gives"
        if checkpoint.is_smallest
        else "in pregnancy, no less than the largest sourced target (ATA, as summarised)",
    )


def _pace(case: SwitchCase, plan: Plan) -> Statement:
    moving = medicines(case.old, plan.checkpoint.dose, case.products, case.pace)
    before, after = t3_before(moving), t3_at_goal(moving)
    if after <= before:
        return Statement(
            "Swallowed T3 does not rise, so there is no climb",
            f"{micrograms(before)} before, {micrograms(after)} at the checkpoint: the new medicine"
            " starts at the checkpoint's dose",
            (),
            "the climb is for a heart that is not used to T3",
        )
    steps = "; ".join(
        f"{m.preparation.name} by {quantity(m.increment, m.preparation.unit)}"
        for m in moving
        if m.rises and m.preparation.carries_t3
    )
    return Statement(
        f"Swallowed T3 rises from {amount(before)} to {micrograms(after)}, so it climbs at the pace"
        f" “{plan.pace}”",
        f"{steps} every {case.pace.interval_days} days",
        (),
        case.pace.source,
    )


def _on_bases(covered: Sequence[BasisCoverage]) -> str:
    return "; ".join(
        f"“{c.basis_id}” {percent(c.lowest.value)} (day {decimal(c.lowest.day)}) to"
        f" {percent(c.highest.value)} (day {decimal(c.highest.day)})"
        for c in covered
    )


def forecasted(case: SwitchCase, forecast: Forecast) -> Statement:
    """What the model predicts of one way."""
    of_need = (
        f". Against {decimal(case.need)} times the old dose, taken from day 0 on:"
        f" {_on_bases(forecast.of_need)}"
        if forecast.of_need
        else ""
    )
    low, high = forecast.t3_exposure
    band = forecast.band
    widened = (
        f". Over the parameters' band: lowest coverage {percent(band.lowest_coverage[0])} to"
        f" {percent(band.lowest_coverage[1])}, highest T3 exposure"
        f" {percent(band.highest_t3_exposure[0])} to {percent(band.highest_t3_exposure[1])}"
        if band
        else ""
    )
    t4 = forecast.t4_pool
    pool = (
        f"T4 pool {percent(t4[0].value)} to {percent(t4[1].value)} of before"
        if t4
        else f"T4 pool from nothing to {modelled(forecast.t4_pool_end_ug)}"
    )
    return Statement(
        f"Forecast with {forecast.prior_therapy}: coverage from"
        f" {percent(forecast.lowest.lowest.value)} on “{forecast.lowest.basis_id}”, T3 exposure"
        f" {percent(low.value)} to {percent(high.value)}",
        f"coverage {_on_bases(forecast.coverage)}{of_need}; {pool}; steady from day"
        f" {forecast.steady_day}{widened}",
        (),
        "two first-order pools, closed form; see the model's own statement",
    )


_AFTER = {
    LabReading.VERY_HIGH: "If the labs ask for much more",
    LabReading.HIGH: "If the labs ask for more",
    LabReading.HIGH_FREE_T3: "If the labs ask for more, but free T3 is above its range",
    LabReading.IN_RANGE: "If the labs are in range",
    LabReading.SYMPTOMS: "If there are symptoms and the labs are in range",
    LabReading.LOW: "If the labs say that it is too much",
    LabReading.VERY_LOW: "If the labs say that it is much too much",
}
"""A branch in words that hold by TSH and by free T4 alike; its condition says by which."""


def branches(plan: Plan) -> Iterator[Statement]:
    """What each reading of the labs leads to."""
    return map(_branch, plan.checkpoint.branches)


def _branch(branch: Branch) -> Statement:
    last = branch.steps[-1]
    doses = (
        " + ".join(
            f"{line.preparation.name} {quantity(line.amount, line.preparation.unit)}"
            for line in last.lines
        )
        or "nothing"
    )
    return Statement(
        f"{_AFTER[branch.reading]}: {branch.statement}",
        f"from day {branch.steps[0].first_day}; leads to {doses} from day {last.first_day}",
        (),
        f"solved on {' and '.join(f'“{basis_id}”' for basis_id in branch.basis_ids)}",
    )


def on_the_way(case: SwitchCase, plan: Plan) -> Iterator[Statement]:
    """The draws before that which decides."""
    checkpoint, draws = plan.checkpoint, case.policy.draws
    between = [draw for draw in plan.labs if draw.purpose == "interim"]
    if between:
        yield Statement(
            "Blood is drawn on the way too, on day"
            f" {' and '.join(f'{draw.day}' for draw in between)}: it may hold a step or take one"
            " back, and raises nothing",
            f"never more than {case.draws_apart} days between two draws, counted back from day"
            f" {checkpoint.lab_day}; from {draws.latest_days} to {draws.earliest_days} days before"
            " a step, where one is in reach",
            (),
            draws.source,
        )


def _labs(case: SwitchCase, plan: Plan) -> Iterator[Statement]:
    checkpoint = plan.checkpoint
    yield from on_the_way(case, plan)
    yield Statement(
        f"Labs at the checkpoint on day {checkpoint.lab_day}, decision from day"
        f" {checkpoint.decision_day}",
        f"the checkpoint's dose is reached on day {checkpoint.day}; the later of"
        f" {case.wait_days} days after it and the modelled steady state, day"
        f" {plan.forecasts[0].steady_day}",
        (),
        case.policy.labs_source,
    )


def model(case: SwitchCase) -> Statement:
    """What the forecast rests on."""
    kinetics = case.kinetics
    return Statement(
        "The model assumes no residual gland and steady, regular intake before day 0",
        f"half-lives T4 {decimal(kinetics.t4_half_life_days)} d, T3"
        f" {decimal(kinetics.t3_half_life_days)} d; absorbed LT4 {decimal(kinetics.t4_absorbed)},"
        f" LT3 {decimal(kinetics.t3_absorbed)}; {decimal(kinetics.t4_to_t3_molar)} of T4 cleared"
        " becomes T3 by moles",
        (),
        case.kinetics_table.source,
    )
