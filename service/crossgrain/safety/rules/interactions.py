"""Other medicines, and allergies: what is listed is said."""

from crossgrain.dosing.targets import Target
from crossgrain.safety.rule import Case, Hit, Predicate, Rule, hit_on, listed

_HORMONES: dict[Target, frozenset[str]] = {
    Target.LEVOTHYROXINE: frozenset({"levothyroxine"}),
    Target.LIOTHYRONINE: frozenset({"liothyronine"}),
    Target.LT4_LT3: frozenset({"levothyroxine", "liothyronine"}),
    Target.DESICCATED_THYROID: frozenset({"desiccated-thyroid"}),
    Target.DESICCATED_LT3: frozenset({"desiccated-thyroid", "liothyronine"}),
}


def _medicine(case: Case, rule: Rule) -> Hit | None:
    return hit_on(listed(case.facts.medicines, rule.keys))


def _allergy(case: Case, rule: Rule) -> Hit | None:
    return hit_on(listed(case.facts.allergies, rule.keys))


def _allergy_to_target(case: Case, _: Rule) -> Hit | None:
    """An allergy entry for the very hormone that is to be ordered."""
    return hit_on(listed(case.facts.allergies, _HORMONES[case.intent.target]))


PREDICATES: dict[str, Predicate] = {
    "warfarin": _medicine,
    "antidiabetics": _medicine,
    "digoxin": _medicine,
    "binders": _medicine,
    "proton-pump-inhibitor": _medicine,
    "need-may-rise": _medicine,
    "amiodarone": _medicine,
    "lithium": _medicine,
    "ketamine": _medicine,
    "sympathomimetics": _medicine,
    "biotin": _medicine,
    "allergy-pork": _allergy,
    "allergy-desiccated-excipient": _allergy,
    "allergy-to-target": _allergy_to_target,
}
