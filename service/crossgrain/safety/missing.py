"""Which data a record lacks: what could not be looked at is never taken for clear."""

from collections.abc import Callable, Mapping

from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Facts, Sex
from crossgrain.safety.rule import Missing, RuleCase
from crossgrain.safety.tsh import is_pregnant

_MYOCARDIAL_INFARCTION = "myocardial-infarction"


def _none_fresh(case: RuleCase, missing: Missing, analyte: Analyte) -> bool:
    return not any(
        results.is_fresh(m, missing.number("fresh")) for m in results.of(case.facts, analyte)
    )


def _pregnancy_unknown(case: RuleCase, missing: Missing) -> bool:
    """Asked of everyone who may bear a child as far as the record tells."""
    facts = case.facts
    if facts.pregnant is not None or is_pregnant(facts) or facts.sex is Sex.MALE:
        return False
    youngest, oldest = missing.number("youngest"), missing.number("oldest")
    return facts.age_years is None or youngest <= facts.age_years <= oldest


def _infarction_undated(facts: Facts) -> bool:
    return any(
        k.key == _MYOCARDIAL_INFARCTION and k.active and k.day is None
        for k in facts.conditions or ()
    )


LACKS: Mapping[str, Callable[[RuleCase, Missing], bool]] = {
    "age": lambda case, _: case.facts.age_years is None,
    "sex": lambda case, _: case.facts.sex is None,
    "weight": lambda case, _: not case.facts.weight_kg,
    "conditions": lambda case, _: case.facts.conditions is None,
    "allergies": lambda case, _: case.facts.allergies is None,
    "medicines": lambda case, _: case.facts.medicines is None,
    "goals": lambda case, _: case.facts.goals is None,
    "indications": lambda case, _: case.facts.indications is None,
    "regimen-start": lambda case, _: (
        case.facts.regimen_changed_days_ago is None and not case.facts.in_series
    ),
    "stopped-hormone": lambda case, _: case.facts.stopped is None,
    "recent-tsh": lambda case, missing: _none_fresh(case, missing, Analyte.TSH),
    "recent-heart-rate": lambda case, missing: _none_fresh(case, missing, Analyte.HEART_RATE),
    "pregnancy-status": _pregnancy_unknown,
    "infarction-date": lambda case, _: _infarction_undated(case.facts),
}
