"""Labs, heart and bone, glands, pregnancy: what decides whether hormone may rise."""

from fractions import Fraction

from crossgrain.dosing.policy import TodaysTsh
from crossgrain.dosing.preparations import Kind
from crossgrain.safety import results
from crossgrain.safety.facts import Analyte, Known, Measurement, Sex
from crossgrain.safety.need import does_not_count, need_reading
from crossgrain.safety.results import (
    PREGNANT,
    has_goal,
    is_central,
    is_pregnant,
    lower_limit,
    upper_limit,
)
from crossgrain.safety.rule import Hit, Predicate, Rule, RuleCase, condition_listed, hit_on, listed


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
    found = [m for m in tsh_low(case, rule) if results.is_below(m, rule.number("suppressed"))]
    return _hit(found) if found and _tsh_speaks(case) else None


def _low(case: RuleCase, rule: Rule) -> Hit | None:
    """Low, and not a stop already: either not suppressed, or with no rise planned."""
    found = tsh_low(case, rule)
    suppressed = [m for m in found if results.is_below(m, rule.number("suppressed"))]
    if not found or (suppressed and case.intent.any_rise):
        return None
    return _hit(found) if _tsh_speaks(case) else None


def _shortage(case: RuleCase, rule: Rule) -> Hit | None:
    """So much too little that it is treated first; it also sets the need of the plan."""
    reading = need_reading(case.facts, rule)
    if reading.says is not TodaysTsh.FRANKLY_HIGH:
        return None
    return Hit(tuple(m.origin for m in reading.results), {"what": reading.why})


def _high(case: RuleCase, rule: Rule) -> Hit | None:
    found = [
        m
        for m in results.latest(case.facts, Analyte.TSH, rule.number("fresh"))
        if results.is_above(m, upper_limit(case.facts, m, rule))
    ]
    return _hit(found, **_so(case, found, rule)) if found and _tsh_speaks(case) else None


def _so(case: RuleCase, found: list[Measurement], rule: Rule) -> dict[str, str]:
    """What follows from a high TSH: a dose that is too little, or nothing certain."""
    why = next(does_not_count(case.facts, tuple(found), rule), "")
    if why:
        so = f"{why}, it does not tell whether today's dose is too little"
        return {"so": so, "do": "Wait for a TSH that speaks of today's dose"}
    return {
        "so": "today's dose is less than replacement, and so is every equivalent of it",
        "do": "Expect to go past the checkpoint",
    }


def _hit(found: list[Measurement] | tuple[Measurement, ...], **fills: str) -> Hit:
    return Hit(tuple(m.origin for m in found), {"tsh": results.shown(found), **fills})


LABS: dict[str, Predicate] = {
    "tsh-suppressed": _suppressed,
    "tsh-low": _low,
    "tsh-high": _high,
    "shortage-today": _shortage,
}


def _medicine(case: RuleCase, rule: Rule) -> Hit | None:
    return hit_on(listed(case.facts.medicines, rule.keys))


def _allergy(case: RuleCase, rule: Rule) -> Hit | None:
    return hit_on(listed(case.facts.allergies, rule.keys))


def _allergy_to_target(case: RuleCase, _: Rule) -> Hit | None:
    """An allergy entry for the very hormone that is to be ordered."""
    return hit_on(listed(case.facts.allergies, case.intent.kinds))


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
    "oral-semaglutide": _medicine,
    "amiodarone": _medicine,
    "lithium": _medicine,
    "ketamine": _medicine,
    "sympathomimetics": _medicine,
    "biotin": _medicine,
    "malabsorption": condition_listed,
    "allergy-pork": _allergy,
    "allergy-desiccated-excipient": _allergy,
    "allergy-to-target": _allergy_to_target,
}


def _ever(case: RuleCase, rule: Rule) -> Hit | None:
    """Heart disease stays a risk when the record calls it inactive or resolved."""
    return hit_on(tuple(k for k in case.facts.conditions or () if k.key in rule.keys))


def _recent(case: RuleCase, rule: Rule) -> Hit | None:
    """Dated within the window, whether or not the record calls it resolved."""
    return hit_on(
        tuple(
            k
            for k in case.facts.conditions or ()
            if k.key in rule.keys and k.day is not None and -k.day < rule.number("window")
        )
    )


def _new_symptom(case: RuleCase, rule: Rule) -> Hit | None:
    said = listed(case.facts.conditions, rule.keys) + listed(case.facts.reported, rule.keys)
    return hit_on(_within(said, rule.number("new")))


def _within(found: tuple[Known, ...], days: Fraction) -> tuple[Known, ...]:
    """What began or was said within so many days; what has no date may be of today."""
    return tuple(k for k in found if k.day is None or -k.day <= days)


def _reported(case: RuleCase, rule: Rule) -> Hit | None:
    return hit_on(_within(listed(case.facts.reported, rule.keys), rule.number("new")))


def _chest_pain(case: RuleCase, rule: Rule) -> Hit | None:
    found = _within(listed(case.facts.reported, rule.keys), rule.number("days"))
    return hit_on(found, when=", ".join(dict.fromkeys(results.ago(known.day) for known in found)))


def _doses_missed(case: RuleCase, rule: Rule) -> Hit | None:
    found = [
        said
        for said in case.facts.missed
        if said.count > rule.number("most")
        and (said.day is None or -said.day <= rule.number("fresh"))
    ]
    if not found:
        return None
    return Hit(
        tuple(said.origin for said in found), {"count": str(max(said.count for said in found))}
    )


def _older(case: RuleCase, rule: Rule) -> Hit | None:
    age = case.facts.age_years
    if age is None or age < rule.number("age"):
        return None
    return Hit(("Patient",), {"years": str(age)})


def _fast(case: RuleCase, rule: Rule) -> Hit | None:
    found = [
        m
        for m in results.latest(case.facts, Analyte.HEART_RATE, rule.number("fresh"))
        if results.is_above(m, rule.number("highest"))
    ]
    if not found:
        return None
    return Hit(tuple(m.origin for m in found), {"rate": results.shown(found)})


def _osteoporosis(case: RuleCase, rule: Rule) -> Hit | None:
    low = tsh_low(case, rule)
    if not low and not case.intent.any_rise:
        return None
    found = listed(case.facts.conditions, rule.keys)
    state = f"TSH is {results.shown(low)}" if low else "hormone may rise"
    return hit_on(found, state=state)


def _postmenopausal_low(case: RuleCase, rule: Rule) -> Hit | None:
    low = tsh_low(case, rule)
    coded = listed(case.facts.conditions, rule.keys)
    age = case.facts.age_years
    by_age = case.facts.sex is Sex.FEMALE and age is not None and age >= rule.number("age")
    if not low or not (coded or by_age):
        return None
    origins = tuple(k.origin for k in coded) or ("Patient",)
    return Hit(origins + tuple(m.origin for m in low), {"tsh": results.shown(low)})


CARDIAC: dict[str, Predicate] = {
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
    "chest-pain-reported": _chest_pain,
    "doses-missed": _doses_missed,
    "symptoms-reported": _reported,
    "osteoporosis": _osteoporosis,
    "postmenopausal-tsh-low": _postmenopausal_low,
}


_ADRENAL = frozenset({"adrenal-insufficiency"})
_STEROID = frozenset({"glucocorticoid"})


def _adrenal_uncorrected(case: RuleCase, _: Rule) -> Hit | None:
    """Uncorrected unless the medicines show a glucocorticoid."""
    if listed(case.facts.medicines, _STEROID):
        return None
    return hit_on(listed(case.facts.conditions, _ADRENAL))


def _adrenal_treated(case: RuleCase, _: Rule) -> Hit | None:
    steroid = listed(case.facts.medicines, _STEROID)
    adrenal = listed(case.facts.conditions, _ADRENAL)
    return hit_on(adrenal + steroid) if adrenal and steroid else None


def _adrenal_unknown(case: RuleCase, rule: Rule) -> Hit | None:
    """Where adrenal insufficiency is on record too, or treated, other rules speak of it."""
    known = listed(case.facts.medicines, _STEROID) or listed(case.facts.conditions, _ADRENAL)
    return None if known else condition_listed(case, rule)


def _thyrotoxic_no_rise(case: RuleCase, rule: Rule) -> Hit | None:
    return None if case.intent.any_rise else condition_listed(case, rule)


def _suppression(case: RuleCase, rule: Rule) -> Hit | None:
    both = (case.facts.goals or ()) + (case.facts.conditions or ())
    found = tuple(k for k in both if k.key in rule.keys)
    return hit_on(found)


def _changed_recently(case: RuleCase, rule: Rule) -> Hit | None:
    days = case.facts.regimen_changed_days_ago
    if case.facts.in_series or days is None or days >= rule.number("steady"):
        return None
    return Hit(tuple(line.origin for line in case.facts.regimen), {"days": str(days)})


def _stopped_recently(case: RuleCase, rule: Rule) -> Hit | None:
    """Stopped or paused within the time that it takes to wash out, or on no known day."""
    if case.facts.in_series:  # the series ended it, and says so
        return None
    recent: tuple[Known, ...] = tuple(
        k for k in case.facts.stopped or () if k.day is None or -k.day < rule.number("steady")
    )
    return hit_on(recent)


def _central(case: RuleCase, rule: Rule) -> Hit | None:
    """TSH does not guide central hypothyroidism, so a free T4 must be at hand or drawn."""
    central = listed(case.facts.conditions, rule.keys)
    if not central:
        return None
    fresh = [
        m
        for m in results.of(case.facts, Analyte.FREE_T4)
        if results.is_fresh(m, rule.number("fresh"))
    ]
    known = f"the latest is {results.shown(fresh)}" if fresh else "none is recent"
    return hit_on(central, free_t4=known)


ENDOCRINE: dict[str, Predicate] = {
    "adrenal-insufficiency": _adrenal_uncorrected,
    "adrenal-insufficiency-treated": _adrenal_treated,
    "adrenal-reserve-unknown": _adrenal_unknown,
    "thyrotoxicosis": condition_listed,
    "thyrotoxicosis-no-rise": _thyrotoxic_no_rise,
    "central-hypothyroidism": _central,
    "tsh-suppression-goal": _suppression,
    "regimen-changed-recently": _changed_recently,
    "hormone-stopped-recently": _stopped_recently,
}


def _pregnant(case: RuleCase, _: Rule) -> Hit | None:
    if not is_pregnant(case.facts):
        return None
    origins = tuple(k.origin for k in listed(case.facts.conditions, PREGNANT))
    return Hit(origins or ("Patient",))


def _pregnant_on_lt4(case: RuleCase, rule: Rule) -> Hit | None:
    """Levothyroxine alone, and no TSH that could lead: a newly found pregnancy, as far as is
    known."""
    days = Fraction(rule.numbers["weeks"].days or 0)
    known = any(results.is_fresh(m, days) for m in results.of(case.facts, Analyte.TSH))
    alone = case.facts.regimen.kinds == {Kind.LEVOTHYROXINE}
    return _pregnant(case, rule) if alone and not known else None


def _pregnancy_ended(case: RuleCase, _: Rule) -> Hit | None:
    """Only where the record says so: silence ends no pregnancy."""
    ended = case.facts.pregnant is False and not is_pregnant(case.facts)
    return Hit(("Patient",)) if ended else None


def _planning(case: RuleCase, rule: Rule) -> Hit | None:
    wishes = (case.facts.goals or ()) + (case.facts.conditions or ())
    return hit_on(listed(wishes, rule.keys))


PREGNANCY: dict[str, Predicate] = {
    "pregnant-t3-target": _pregnant,
    "planning-pregnancy-t3-target": _planning,
    "pregnant-moving-to-lt4": _pregnant,
    "pregnant-on-levothyroxine": _pregnant_on_lt4,
    "pregnancy-ended": _pregnancy_ended,
}
