"""Pregnancy, and the wish for one."""

from crossgrain.safety.facts import Facts
from crossgrain.safety.rule import Case, Hit, Predicate, Rule, hit_on, listed

PREGNANT = frozenset({"pregnant", "hypothyroidism-in-pregnancy"})


def is_pregnant(facts: Facts) -> bool:
    """By observation or by the condition list; a list that says so is believed."""
    return facts.pregnant is True or bool(listed(facts.conditions, PREGNANT))


def _pregnant(case: Case, _: Rule) -> Hit | None:
    if not is_pregnant(case.facts):
        return None
    origins = tuple(k.origin for k in listed(case.facts.conditions, PREGNANT))
    return Hit(origins or ("Patient",))


def _planning(case: Case, rule: Rule) -> Hit | None:
    wishes = (case.facts.goals or ()) + (case.facts.conditions or ())
    return hit_on(listed(wishes, rule.keys))


PREDICATES: dict[str, Predicate] = {
    "pregnant-t3-target": _pregnant,
    "planning-pregnancy-t3-target": _planning,
    "pregnant-moving-to-lt4": _pregnant,
}
