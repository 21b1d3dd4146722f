"""Doses outside labelled or usual ranges, and whom the service is for."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.plan import BasisCoverage, Checkpoint, Forecast, Plan, PriorTherapy
from crossgrain.dosing.preparations import Kind, total
from crossgrain.dosing.steps import LineDose, Step, SwitchPart
from crossgrain.dosing.targets import Target, dose_of
from crossgrain.dosing.wording import by_weight_words, exchanged_words
from crossgrain.names.errors import DomainError
from crossgrain.names.printing import decimal, micrograms, percent, quantity
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte
from crossgrain.safety.results import is_pregnant, limit_of_age
from crossgrain.safety.rule import (
    Hit,
    PlanCase,
    PlanPredicate,
    Predicate,
    Rule,
    RuleCase,
    condition_listed,
    hit_on,
    listed,
)


def _below_age(case: RuleCase, rule: Rule) -> Hit | None:
    age = case.facts.age_years
    if age is None or age >= rule.number("adult"):
        return None
    return Hit(("Patient",), {"age": str(age)})


def _not_established(case: RuleCase, rule: Rule) -> Hit | None:
    conditions = case.facts.conditions
    if conditions is None or _names_hypothyroidism(case, rule) or _tsh_was_high(case, rule):
        return None
    return Hit()


def _unconfirmed(case: RuleCase, rule: Rule) -> Hit | None:
    if case.facts.conditions is None or _names_hypothyroidism(case, rule):
        return None
    high = _tsh_was_high(case, rule)
    return Hit(high) if high else None


def _names_hypothyroidism(case: RuleCase, rule: Rule) -> bool:
    """A diagnosis counts however the record grades its activity: it is why hormone is taken."""
    known = (case.facts.conditions or ()) + (case.facts.indications or ())
    return any(k.key in rule.keys for k in known)


def _tsh_was_high(case: RuleCase, rule: Rule) -> tuple[str, ...]:
    """Above the limit of the age at which it was drawn; the limits of pregnancy show no disease."""
    return tuple(
        m.origin
        for m in results.of(case.facts, Analyte.TSH)
        if results.is_above(m, limit_of_age(case.facts, m, rule))
    )


def _not_replacement(case: RuleCase, rule: Rule) -> Hit | None:
    """A reason written on the hormone itself: obesity as a mere condition says nothing."""
    return hit_on(listed(case.facts.indications, rule.keys))


def _compounded(case: RuleCase, _: Rule) -> Hit | None:
    lines = [ln for ln in case.facts.regimen if ln.preparation.kind is Kind.COMPOUNDED]
    if not lines:
        return None
    names = ", ".join(dict.fromkeys(line.preparation.name for line in lines))
    return Hit(tuple(line.origin for line in lines), {"what": names})


def _plan_runs(case: RuleCase, _: Rule) -> Hit | None:
    running = case.facts.running
    if running is None:
        return None
    dates = (
        f", day one {running.day_one}, decision on {running.decision}" if running.day_one else ""
    )
    where = str(running.target).replace("-", " ")
    return Hit((running.origin,), {"where": where, "dates": dates})


def _always(_: RuleCase, __: Rule) -> Hit:
    return Hit()


SCOPE: dict[str, Predicate] = {
    "under-18": _below_age,
    "myxoedema-coma": condition_listed,
    "hypothyroidism-not-established": _not_established,
    "hypothyroidism-unconfirmed": _unconfirmed,
    "not-for-replacement": _not_replacement,
    "compounded-product": _compounded,
    "lt3-alone": _always,
    "plan-running": _plan_runs,
    "desiccated-unapproved": _always,
}


def _lt4_high_today(case: RuleCase, rule: Rule) -> Hit | None:
    lt4_ug, weight = case.facts.regimen.pure_t4_ug, case.facts.weight_kg
    per_kg = lt4_ug / weight if weight else None
    if lt4_ug <= rule.number("highest") and (
        per_kg is None or per_kg <= rule.number("highest_per_kg")
    ):
        return None
    shown = micrograms(lt4_ug) + (f" ({decimal(per_kg)} micrograms/kg)" if per_kg else "")
    return Hit(tuple(line.origin for line in case.facts.regimen), {"dose": shown})


def _every_step(steps: tuple[Step, ...], checkpoint: Checkpoint) -> Iterator[Step]:
    """The unconditional steps, then those of every branch."""
    yield from steps
    for branch in checkpoint.branches:
        yield from branch.steps


def _most_t3_ug(steps: tuple[Step, ...], checkpoint: Checkpoint) -> Fraction:
    return max((step.t3_ug for step in _every_step(steps, checkpoint)), default=Fraction(0))


def _lines_of(kind: Kind, steps: tuple[Step, ...], checkpoint: Checkpoint) -> tuple[LineDose, ...]:
    """The different doses of a kind anywhere in a plan, the largest first."""
    lines = (line for step in _every_step(steps, checkpoint) for line in step.lines)
    doses = {(line.preparation.id, line.amount): line for line in lines}
    own = (line for line in doses.values() if line.preparation.kind is kind)
    return tuple(sorted(own, key=lambda line: line.amount, reverse=True))


def _t3_high(case: PlanCase, rule: Rule) -> Hit | None:
    most = _most_t3_ug(case.plan.steps, case.plan.checkpoint)
    if most <= rule.number("highest"):
        return None
    return Hit(fills={"dose": micrograms(most)})


def _single_t3_high(case: PlanCase, rule: Rule) -> Hit | None:
    steps = _every_step(case.plan.steps, case.plan.checkpoint)
    most = max(map(_single_t3_ug, steps), default=Fraction(0))
    return Hit(fills={"dose": micrograms(most)}) if most > rule.number("highest") else None


def _single_t3_ug(step: Step) -> Fraction:
    """The most T3 at one time of a day on which the plan orders LT3 as a part of the target.

    In the morning everything that is taken once a day comes with it. An old dose that tapers, or is
    taken just as before, is not the plan's doing.
    """
    made = [
        line
        for line in step.lines
        if line.preparation.kind is Kind.LIOTHYRONINE
        and line.tablets is not None
        and line.part is not SwitchPart.OLD
    ]
    if not made:
        return Fraction(0)
    return total(line.preparation.t3_ug(line.single_doses[0]) for line in step.lines)


def _lt4_high(case: PlanCase, rule: Rule) -> Hit | None:
    return _over(case.plan, Kind.LEVOTHYROXINE, lambda _: rule.number("highest"))


def _desiccated_high(case: PlanCase, rule: Rule) -> Hit | None:
    def limit(line: LineDose) -> Fraction:
        return rule.number("highest" if line.preparation.usual else "highest_65")

    return _over(case.plan, Kind.DESICCATED_THYROID, limit)


def _over(plan: Plan, kind: Kind, limit: Callable[[LineDose], Fraction]) -> Hit | None:
    """The largest dose of a kind above its limit, anywhere in the plan."""
    doses = _lines_of(kind, plan.steps, plan.checkpoint)
    most = next((line for line in doses if line.amount > limit(line)), None)
    if most is None:
        return None
    return Hit(fills={"dose": quantity(most.amount, most.preparation.unit)})


def _exposure_high(case: PlanCase, rule: Rule) -> Hit | None:
    _, highest = case.plan.forecasts[0].t3_exposure
    if highest.value <= float(rule.number("highest")):
        return None
    return Hit(fills={"exposure": percent(highest.value), "day": f"{highest.day:.0f}"})


def _coverage_low(case: PlanCase, rule: Rule) -> Hit | None:
    found = case.plan.forecasts[0].lowest
    if found.lowest.value >= float(rule.number("lowest")):
        return None
    return Hit(
        fills={
            "coverage": percent(found.lowest.value),
            "day": f"{found.lowest.day:.0f}",
            "basis": found.basis_id,
            **_overlap_offered(case.plan),
        }
    )


def _overlap_offered(plan: Plan) -> dict[str, str]:
    """The other way of the old medicine, in the two places where an action names it."""
    if plan.prior_therapy is PriorTherapy.OVERLAP:
        return {"choose": "", "instead": ""}
    return {"choose": "Choose overlap. ", "instead": ", or choose overlap,"}


def _worth(
    taken: tuple[Fraction, Fraction, Fraction], bases: Iterable[Basis]
) -> Iterator[tuple[Fraction, str]]:
    """What a dose is worth in LT4, µg a day, on each basis that reaches it."""
    for basis in bases:
        with suppress(DomainError):  # a table chart that does not reach the dose speaks of none
            yield basis.lt4_for(*taken), basis.id


def _worth_of_kept(plan: Plan) -> Iterator[tuple[tuple[Fraction, str], ...]]:
    """The same of each dose that is kept: at the checkpoint, and where each branch leads.

    While one medicine takes over from the other, coverage tells what both come to.
    """
    bases = [row.basis for row in plan.comparison if row.sets_checkpoint and row.target]
    last = (plan.steps[-1], *(branch.steps[-1] for branch in plan.checkpoint.branches))
    for kept in dict.fromkeys(dose_of(step.regimen).amounts for step in last):
        if worth := tuple(_worth(kept, bases)):
            yield worth


def _high_by_weight(case: PlanCase, rule: Rule) -> Hit | None:
    weight = case.facts.weight_kg
    if not weight or is_pregnant(case.facts):
        return None
    least = max((min(worth)[0] for worth in _worth_of_kept(case.plan)), default=Fraction(0))
    least /= weight
    if least <= rule.number("ug_per_kg"):
        return None
    return Hit(fills={"least": micrograms(least)})


def _coverage_high(case: PlanCase, rule: Rule) -> Hit | None:
    own, other = case.plan.forecasts
    least, limit = _least_covered(own), float(rule.number("highest"))
    if is_pregnant(case.facts) or least.highest.value <= limit:
        return None
    instead = "choose another basis or a smaller target"
    ends = other.prior_therapy is PriorTherapy.STOP and not case.slowly
    if ends and _least_covered(other).highest.value <= limit:
        lowest = percent(other.lowest.lowest.value)
        instead = (
            "choose that the old medicine ends on day one (prior therapy “stop”: coverage would be"
            f" {lowest} at the lowest)"
        )
    return Hit(
        fills={
            "coverage": percent(least.highest.value),
            "day": f"{least.highest.day:.0f}",
            "basis": least.basis_id,
            "instead": instead,
        }
    )


def _least_covered(forecast: Forecast) -> BasisCoverage:
    """On the basis on which it comes to the least at its highest."""
    return min(forecast.coverage, key=lambda c: c.highest.value)


def _high_in_pregnancy(case: PlanCase, rule: Rule) -> Hit | None:
    if not is_pregnant(case.facts):
        return None
    most, weight = _most_covered(case.plan), case.facts.weight_kg
    found = []
    if weight and (kept := [max(worth) for worth in _worth_of_kept(case.plan)]):
        ug, basis = max(kept)
        if ug / weight > rule.number("ug_per_kg"):
            found.append(f"{micrograms(ug / weight)} of LT4 per kg a day on “{basis}”")
    if most.highest.value > float(rule.number("coverage")):
        found.append(f"{percent(most.highest.value)} of today's dose on “{most.basis_id}”")
    return Hit(fills={"what": " and ".join(found)}) if found else None


def _most_covered(plan: Plan) -> BasisCoverage:
    return max(plan.forecasts[0].coverage, key=lambda c: c.highest.value)


def _combination(case: PlanCase, rule: Rule) -> Hit | None:
    """A dated review, once the dose is one by which benefit can be judged."""
    if case.plan.target is not Target.LT4_LT3:
        return None
    day = case.plan.checkpoint.day + int(rule.number("days"))
    return Hit(fills={"day": str(day)}, day=day)


DOSES: dict[str, Predicate] = {"lt4-high-today": _lt4_high_today}


def _product_exchanged(case: PlanCase, _: Rule) -> Hit | None:
    """Two products are never treated as the same in silence."""
    exchange = case.plan.exchange
    if exchange is None:
        return None
    origins = (ln.origin for ln in case.facts.regimen if ln.preparation.id in exchange.ended)
    said = {"exchanged": exchanged_words(exchange), "weight": by_weight_words(exchange)}
    return Hit(tuple(filter(None, origins)), said)


PLAN_PREDICATES: dict[str, PlanPredicate] = {
    "t3-above-75": _t3_high,
    "lt3-single-dose": _single_t3_high,
    "lt4-above-300": _lt4_high,
    "desiccated-above-usual": _desiccated_high,
    "t3-exposure-high": _exposure_high,
    "overt-hypothyroidism": _coverage_low,
    "coverage-low": _coverage_low,
    "plan-high-by-weight": _high_by_weight,
    "coverage-high": _coverage_high,
    "plan-high-in-pregnancy": _high_in_pregnancy,
    "combination-review": _combination,
    "product-exchanged": _product_exchanged,
}
