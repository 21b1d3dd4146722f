"""Why the plan is what it is: statements in order, each with its arithmetic and its source."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.climb import t3_at_goal, t3_before
from crossgrain.dosing.comparison import CrossChecks, spread
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.moves import medicines
from crossgrain.dosing.plan import (
    BasisCoverage,
    Branch,
    Forecast,
    LabReading,
    Plan,
    PriorTherapy,
    Statement,
    SwitchPart,
)
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.taper import Choice, Taper
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
    fine_percent,
    grains,
    in_grains,
    micrograms,
    modelled,
    percent,
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
    """What full replacement would be for so heavy a patient, where the weight is known."""
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
    yield _prior(plan)
    yield from _simplicity(case, plan)


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


def _origins(case: SwitchCase) -> tuple[str, ...]:
    return tuple(line.origin for line in case.regimen if line.origin)


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
    terms = (
        (regimen.pure_t4_ug, f"{micrograms(regimen.pure_t4_ug)} of LT4"),
        (
            regimen.grains,
            f"{in_grains(regimen.grains)} × {decimal(weights.lt4_ug_per_grain)}",
        ),
        (
            regimen.pure_t3_ug,
            f"{micrograms(regimen.pure_t3_ug)} of LT3 × {decimal(weights.lt4_ug_per_lt3_ug)}",
        ),
    )
    sum_of = " + ".join(words for amount, words in terms if amount)
    marked = "; a table chart, shown by its straight line at this dose" if weights.secant else ""
    return f"{sum_of} = {micrograms(enabled.lt4_equivalent_ug)} of LT4{marked}"


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
        f"tablets that keep T4 to T3 at {ratio_limits()} (ETA 2012)"
        if combined
        else "the increments of the climb, never below one"
    )
    outside = off_ratio(checkpoint.held) if combined else ""
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


def _prior(plan: Plan) -> Statement:
    own, other = plan.forecasts
    if own.prior_therapy is PriorTherapy.OVERLAP:
        why = (
            "the simplest taper among those nearly as good as the best: fewest strengths to buy,"
            " fewest changes of dose, fewest days with a broken tablet, and only then the smallest"
            " worst deviation of ln coverage over the enabled bases"
        )
    else:
        why = "the old medicine ends, or takes its new dose, on day 0, as asked"
    return Statement(
        f"Prior therapy: {own.prior_therapy}. Lowest coverage {percent(own.lowest.lowest.value)};"
        f" with {other.prior_therapy} it would be {percent(other.lowest.lowest.value)}",
        why,
        (),
        "two-pool model; the charts disagree, so the taper hedges over all of them",
    )


def _simplicity(case: SwitchCase, plan: Plan) -> Iterator[Statement]:
    """What the simpler taper costs against the best that was found."""
    price = what_simplicity_costs(plan)
    if plan.taper is None or not price:
        return
    chosen, best = plan.taper
    policy, leaning = case.policy.taper, case.leaning
    weighed = "".join(
        f"; coverage {side} 1 weighs {decimal(weight)} times, for this patient's risk"
        for side, weight in (("above", leaning.above), ("below", leaning.below))
        if weight != 1
    )
    of_need = (
        "" if case.need == 1 else f" of what is needed, {decimal(case.need)} times the old dose,"
    )
    yield Statement(
        price,
        f"chosen: coverage{of_need} {fine_percent(chosen.lowest)} to"
        f" {fine_percent(chosen.highest)}, {_asks(chosen, weekly=plan.weekly)}; best found:"
        f" {fine_percent(best.lowest)} to {fine_percent(best.highest)},"
        f" {_asks(best, weekly=plan.weekly)}; up to {decimal(policy.tolerance)} in ln coverage is"
        f" given for a simpler taper, {decimal(policy.saving_a_strength)} where that saves a"
        f" strength; none goes below {fine_percent(policy.guard)} while another does not{weighed}",
        (),
        policy.source,
    )


def what_simplicity_costs(plan: Plan) -> str:
    """The same in one line; empty where no old medicine tapers."""
    if plan.taper is None or not any(part is SwitchPart.OLD for part in _parts(plan)):
        return ""
    return price_of_simplicity(plan.taper, weekly=plan.weekly)


def _parts(plan: Plan) -> set[SwitchPart]:
    return {line.part for step in plan.steps for line in step.lines}


def price_of_simplicity(taper: Choice, *, weekly: bool = False) -> str:
    """What the best taper found would hold instead, and what it would ask for, in words."""
    chosen, best = taper
    if (fine_percent(chosen.lowest), fine_percent(chosen.highest)) == (
        fine_percent(best.lowest),
        fine_percent(best.highest),
    ):
        return "No taper that was found holds more than this one"
    asks = [
        (best.bought - chosen.bought, "strength"),
        (best.changes - chosen.changes, "change of dose"),
    ]
    more = " and ".join(_more(number_of, what) for number_of, what in asks if number_of > 0)
    if not more:
        broken = "days of the week that differ" if weekly else "broken tablets"
        more = broken if chosen.is_whole and not best.is_whole else "another taper"
    if best.lowest > chosen.lowest:
        return (
            f"{more[:1].upper()}{more[1:]} would hold {fine_percent(best.lowest)} instead of"
            f" {fine_percent(chosen.lowest)}"
        )
    return (
        f"{more[:1].upper()}{more[1:]} would stay below {fine_percent(best.highest)} instead of"
        f" {fine_percent(chosen.highest)}"
    )


def _more(many: int, what: str) -> str:
    words = {1: "one", 2: "two", 3: "three"}
    plural = what.replace("change", "changes") if "change" in what else f"{what.rstrip('h')}hs"
    return f"{words.get(many, str(many))} more {what if many == 1 else plural}"


def _asks(taper: Taper, *, weekly: bool) -> str:
    otherwise = "days of the week that differ" if weekly else "broken tablets"
    halves = "whole tablets every day" if taper.is_whole and weekly else "whole tablets"
    halves = halves if taper.is_whole else otherwise
    return f"strengths to buy {taper.bought}, changes {taper.changes}, {halves}"


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
