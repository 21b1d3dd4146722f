"""What the latest TSH, and the other medicines, say against the plan or of it."""

from crossgrain.dosing.targets import Target
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Measurement
from crossgrain.safety.rule import Hit, Predicate, Rule, RuleCase, hit_on, listed
from crossgrain.safety.tsh import has_goal, is_central, lower_limit, upper_limit


def tsh_low(case: RuleCase, rule: Rule) -> tuple[Measurement, ...]:
    """The latest TSH results that lie below the patient's own limit.

    In central hypothyroidism none does: there TSH is no guide.
    """
    if is_central(case.facts):
        return ()
    return tuple(
        m
        for m in results.latest(case.facts, Analyte.TSH, rule.number("fresh"))
        if results.is_below(m, lower_limit(case.facts, m, rule))
    )


def _tsh_speaks(case: RuleCase) -> bool:
    """TSH is no guide in central hypothyroidism, nor where it is kept low on purpose."""
    return not is_central(case.facts) and not has_goal(case.facts)


def _suppressed(case: RuleCase, rule: Rule) -> Hit | None:
    found = [
        m
        for m in results.latest(case.facts, Analyte.TSH, rule.number("fresh"))
        if results.is_below(m, rule.number("suppressed"))
    ]
    return _hit(found) if found and _tsh_speaks(case) else None


def _low(case: RuleCase, rule: Rule) -> Hit | None:
    """Low, and not already a stop: either not suppressed, or no rise is planned."""
    found = tsh_low(case, rule)
    suppressed = [m for m in found if results.is_below(m, rule.number("suppressed"))]
    if not found or (suppressed and case.intent.any_rise):
        return None
    return _hit(found) if _tsh_speaks(case) else None


def _high(case: RuleCase, rule: Rule) -> Hit | None:
    found = [
        m
        for m in results.latest(case.facts, Analyte.TSH, rule.number("fresh"))
        if results.is_above(m, upper_limit(case.facts, m, rule))
    ]
    return _hit(found) if found and _tsh_speaks(case) else None


def _hit(found: list[Measurement] | tuple[Measurement, ...]) -> Hit:
    return Hit(tuple(m.origin for m in found), {"tsh": results.shown(found)})


LABS: dict[str, Predicate] = {
    "tsh-suppressed": _suppressed,
    "tsh-low": _low,
    "tsh-high": _high,
}


_HORMONES: dict[Target, frozenset[str]] = {
    Target.LEVOTHYROXINE: frozenset({"levothyroxine"}),
    Target.LIOTHYRONINE: frozenset({"liothyronine"}),
    Target.LT4_LT3: frozenset({"levothyroxine", "liothyronine"}),
    Target.DESICCATED_THYROID: frozenset({"desiccated-thyroid"}),
    Target.DESICCATED_LT3: frozenset({"desiccated-thyroid", "liothyronine"}),
}


def _medicine(case: RuleCase, rule: Rule) -> Hit | None:
    return hit_on(listed(case.facts.medicines, rule.keys))


def _allergy(case: RuleCase, rule: Rule) -> Hit | None:
    return hit_on(listed(case.facts.allergies, rule.keys))


def _allergy_to_target(case: RuleCase, _: Rule) -> Hit | None:
    """An allergy entry for the very hormone that is to be ordered."""
    return hit_on(listed(case.facts.allergies, _HORMONES[case.intent.target]))


INTERACTIONS: dict[str, Predicate] = {
    "warfarin": _medicine,
    "antidiabetics": _medicine,
    "digoxin": _medicine,
    "binders": _medicine,
    "proton-pump-inhibitor": _medicine,
    "need-may-rise": _medicine,
    "tyrosine-kinase-inhibitor": _medicine,
    "antithyroid": _medicine,
    "orlistat": _medicine,
    "ciprofloxacin": _medicine,
    "raloxifene": _medicine,
    "amiodarone": _medicine,
    "lithium": _medicine,
    "ketamine": _medicine,
    "sympathomimetics": _medicine,
    "biotin": _medicine,
    "allergy-pork": _allergy,
    "allergy-desiccated-excipient": _allergy,
    "allergy-to-target": _allergy_to_target,
}
