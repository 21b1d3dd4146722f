"""Adrenal, pituitary and thyroid states that decide whether hormone may rise at all."""

from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Known
from crossgrain.safety.rule import Case, Hit, Predicate, Rule, condition_listed, hit_on, listed

_ADRENAL = frozenset({"adrenal-insufficiency"})
_STEROID = frozenset({"glucocorticoid"})


def _adrenal_uncorrected(case: Case, _: Rule) -> Hit | None:
    """Uncorrected unless the medicines show a glucocorticoid."""
    if listed(case.facts.medicines, _STEROID):
        return None
    return hit_on(listed(case.facts.conditions, _ADRENAL))


def _adrenal_treated(case: Case, _: Rule) -> Hit | None:
    steroid = listed(case.facts.medicines, _STEROID)
    adrenal = listed(case.facts.conditions, _ADRENAL)
    return hit_on(adrenal + steroid) if adrenal and steroid else None


def _thyrotoxic_no_rise(case: Case, rule: Rule) -> Hit | None:
    return None if case.intent.any_rise else condition_listed(case, rule)


def _suppression(case: Case, rule: Rule) -> Hit | None:
    both = (case.facts.goals or ()) + (case.facts.conditions or ())
    found = tuple(k for k in both if k.key in rule.keys)
    return hit_on(found)


def _changed_recently(case: Case, rule: Rule) -> Hit | None:
    days = case.facts.regimen_changed_days_ago
    if case.facts.in_series or days is None or days >= rule.number("steady"):
        return None
    return Hit(tuple(line.origin for line in case.facts.regimen), {"days": str(days)})


def _stopped_recently(case: Case, rule: Rule) -> Hit | None:
    """Stopped or paused within the time that it takes to wash out, or on no known day."""
    if case.facts.in_series:  # the series ended it, and says so
        return None
    recent: tuple[Known, ...] = tuple(
        k for k in case.facts.stopped or () if k.day is None or -k.day < rule.number("steady")
    )
    return hit_on(recent)


def _central(case: Case, rule: Rule) -> Hit | None:
    """TSH does not guide central hypothyroidism, so a free T4 must be at hand or drawn."""
    central = listed(case.facts.conditions, rule.keys)
    if not central:
        return None
    fresh = [
        m
        for m in results.of(case.facts, Analyte.FREE_T4)
        if results.is_fresh(m, rule.number("fresh"))
    ]
    known = f"the latest is {results.shown(fresh)} pmol/L" if fresh else "none is recent"
    return hit_on(central, free_t4=known)


PREDICATES: dict[str, Predicate] = {
    "adrenal-insufficiency": _adrenal_uncorrected,
    "adrenal-insufficiency-treated": _adrenal_treated,
    "thyrotoxicosis": condition_listed,
    "thyrotoxicosis-no-rise": _thyrotoxic_no_rise,
    "central-hypothyroidism": _central,
    "tsh-suppression-goal": _suppression,
    "regimen-changed-recently": _changed_recently,
    "hormone-stopped-recently": _stopped_recently,
}
