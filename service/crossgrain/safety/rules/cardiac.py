"""Heart and bone: where T3 does its harm."""

from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Sex
from crossgrain.safety.rule import Case, Hit, Predicate, Rule, condition_listed, hit_on, listed
from crossgrain.safety.rules.labs import tsh_low


def _ever(case: Case, rule: Rule) -> Hit | None:
    """Heart disease stays a risk when the record calls it inactive or resolved."""
    return hit_on(tuple(k for k in case.facts.conditions or () if k.key in rule.keys))


def _recent(case: Case, rule: Rule) -> Hit | None:
    """Dated within the window, whether or not the record calls it resolved."""
    return hit_on(
        tuple(
            k
            for k in case.facts.conditions or ()
            if k.key in rule.keys and k.day is not None and -k.day < rule.number("window")
        )
    )


def _new_symptom(case: Case, rule: Rule) -> Hit | None:
    found = listed(case.facts.conditions, rule.keys)
    return hit_on(tuple(k for k in found if k.day is None or -k.day <= rule.number("new")))


def _older(case: Case, rule: Rule) -> Hit | None:
    age = case.facts.age_years
    if age is None or age < rule.number("age"):
        return None
    return Hit(("Patient",), {"years": str(age)})


def _fast(case: Case, rule: Rule) -> Hit | None:
    found = [
        m
        for m in results.latest(case.facts, Analyte.HEART_RATE, rule.number("fresh"))
        if results.is_above(m, rule.number("highest"))
    ]
    if not found:
        return None
    return Hit(tuple(m.origin for m in found), {"rate": results.shown(found)})


def _osteoporosis(case: Case, rule: Rule) -> Hit | None:
    low = tsh_low(case, rule.number("fresh"), rule.number("lowest"))
    if not low and not case.intent.any_rise:
        return None
    found = listed(case.facts.conditions, rule.keys)
    state = f"TSH is {results.shown(low)} mIU/L" if low else "hormone may rise"
    return hit_on(found, state=state)


def _postmenopausal_low(case: Case, rule: Rule) -> Hit | None:
    low = tsh_low(case, rule.number("fresh"), rule.number("lowest"))
    coded = listed(case.facts.conditions, rule.keys)
    age = case.facts.age_years
    by_age = case.facts.sex is Sex.FEMALE and age is not None and age >= rule.number("age")
    if not low or not (coded or by_age):
        return None
    origins = tuple(k.origin for k in coded) or ("Patient",)
    return Hit(origins + tuple(m.origin for m in low), {"tsh": results.shown(low)})


PREDICATES: dict[str, Predicate] = {
    "recent-myocardial-infarction": _recent,
    "unstable-angina": condition_listed,
    "coronary-disease": _ever,
    "heart-failure": _ever,
    "atrial-fibrillation": _ever,
    "other-arrhythmia": _ever,
    "age-65-or-over": _older,
    "desiccated-at-65": _older,
    "heart-rate-high": _fast,
    "new-palpitations": _new_symptom,
    "osteoporosis": _osteoporosis,
    "postmenopausal-tsh-low": _postmenopausal_low,
}
