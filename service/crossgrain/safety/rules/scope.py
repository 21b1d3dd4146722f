"""Who the service is for: adults whose hypothyroidism is established, on known products."""

from crossgrain.dosing.preparations import Kind
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte
from crossgrain.safety.rule import Case, Hit, Predicate, Rule, condition_listed, hit_on, listed


def _below_age(case: Case, rule: Rule) -> Hit | None:
    age = case.facts.age_years
    if age is None or age >= rule.number("adult"):
        return None
    return Hit(("Patient",), {"age": str(age)})


def _not_established(case: Case, rule: Rule) -> Hit | None:
    conditions = case.facts.conditions
    if conditions is None or _names_hypothyroidism(case, rule) or _tsh_was_high(case, rule):
        return None
    return Hit()


def _unconfirmed(case: Case, rule: Rule) -> Hit | None:
    if case.facts.conditions is None or _names_hypothyroidism(case, rule):
        return None
    high = _tsh_was_high(case, rule)
    return Hit(high) if high else None


def _names_hypothyroidism(case: Case, rule: Rule) -> bool:
    """A diagnosis counts however the record grades its activity: it is why hormone is taken."""
    known = (case.facts.conditions or ()) + (case.facts.indications or ())
    return any(k.key in rule.keys for k in known)


def _tsh_was_high(case: Case, rule: Rule) -> tuple[str, ...]:
    return tuple(
        m.origin
        for m in results.of(case.facts, Analyte.TSH)
        if results.is_above(m, m.high or rule.number("highest"))
    )


def _not_replacement(case: Case, rule: Rule) -> Hit | None:
    """A reason written on the hormone itself: obesity as a mere condition says nothing."""
    return hit_on(listed(case.facts.indications, rule.keys))


def _compounded(case: Case, _: Rule) -> Hit | None:
    lines = [ln for ln in case.facts.regimen if ln.preparation.kind is Kind.COMPOUNDED]
    if not lines:
        return None
    names = ", ".join(dict.fromkeys(line.preparation.name for line in lines))
    return Hit(tuple(line.origin for line in lines), {"what": names})


def _plan_runs(case: Case, _: Rule) -> Hit | None:
    running = case.facts.running
    if running is None:
        return None
    dates = (
        f", day one {running.day_one}, decision on {running.decision}" if running.day_one else ""
    )
    where = str(running.target).replace("-", " ")
    return Hit((running.origin,), {"where": where, "dates": dates})


def _always(_: Case, __: Rule) -> Hit:
    return Hit()


PREDICATES: dict[str, Predicate] = {
    "under-18": _below_age,
    "myxoedema-coma": condition_listed,
    "hypothyroidism-not-established": _not_established,
    "hypothyroidism-unconfirmed": _unconfirmed,
    "not-for-replacement": _not_replacement,
    "compounded-product": _compounded,
    "plan-running": _plan_runs,
    "desiccated-unapproved": _always,
}
