"""Every rule fires, stays quiet, and is listed as unchecked when its data are missing."""

from dataclasses import dataclass, replace
from typing import Any

import pytest
from tests.unit.safety.patients import (
    CLEAR,
    PREPARATIONS,
    RULES,
    TO_DESICCATED,
    TO_LT3,
    TO_LT4,
    known,
    not_checked,
    patient,
    pulse,
    raised,
    regimen,
    tsh,
    with_conditions,
    with_labs,
)

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.targets import Target
from crossgrain.safety.facts import Facts, Intent, MissedDays, RunningPlan, Sex


def missed_on(days: int, said: int | None = -42) -> Facts:
    return patient(missed=(MissedDays(days, "Said/1", said),))


@dataclass(frozen=True)
class Example:
    """One rule: a patient on whom it fires, and one like it on whom it does not."""

    fires: Facts
    quiet: Facts
    intent: Intent = TO_DESICCATED
    quiet_intent: Intent | None = None


def on_medicine(key: str) -> Example:
    return Example(patient(medicines=known(key)), CLEAR)


def with_condition(key: str, intent: Intent = TO_DESICCATED) -> Example:
    """An active condition fires; one that the record calls resolved does not."""
    return Example(with_conditions(key), with_conditions(key, active=False), intent)


def for_good(key: str) -> Example:
    """Heart disease fires whether or not it is called resolved."""
    return Example(with_conditions(key, active=False), CLEAR)


COMPOUNDED = replace(
    regimen(levothyroxine=100).lines[0],
    preparation=replace(
        PREPARATIONS["liothyronine"], kind=Kind.COMPOUNDED, name="liothyronine, sustained release"
    ),
)
ADRENAL = known("hypothyroidism", "adrenal-insufficiency")

EXAMPLES: dict[str, Example] = {
    "under-18": Example(patient(age_years=17), patient(age_years=18)),
    "myxoedema-coma": with_condition("myxoedema-coma"),
    "hypothyroidism-not-established": Example(
        patient(conditions=(), indications=()), patient(conditions=())
    ),
    "hypothyroidism-unconfirmed": Example(
        patient(conditions=(), indications=(), measurements=(tsh("12", -900), tsh("2"))), CLEAR
    ),
    "not-for-replacement": Example(
        patient(indications=known("weight-loss")), with_conditions("obesity")
    ),
    "compounded-product": Example(
        patient(regimen=replace(CLEAR.regimen, lines=(COMPOUNDED,))), CLEAR
    ),
    "lt3-alone": Example(CLEAR, CLEAR, TO_LT3, quiet_intent=TO_DESICCATED),
    "plan-running": Example(
        patient(running=RunningPlan(Target.LIOTHYRONINE, "MedicationRequest/1")), CLEAR
    ),
    "desiccated-unapproved": Example(CLEAR, CLEAR, quiet_intent=TO_LT3),
    "adrenal-insufficiency": Example(
        patient(conditions=ADRENAL), patient(conditions=ADRENAL, medicines=known("glucocorticoid"))
    ),
    "adrenal-insufficiency-treated": Example(
        patient(conditions=ADRENAL, medicines=known("glucocorticoid")), patient(conditions=ADRENAL)
    ),
    "adrenal-reserve-unknown": Example(
        with_conditions("central-hypothyroidism"),
        patient(conditions=known("central-hypothyroidism"), medicines=known("glucocorticoid")),
    ),
    "thyrotoxicosis": with_condition("thyrotoxicosis"),
    "thyrotoxicosis-no-rise": with_condition("thyrotoxicosis", TO_LT4),
    "central-hypothyroidism": with_condition("central-hypothyroidism"),
    "tsh-suppression-goal": Example(patient(goals=known("tsh-suppression-goal")), CLEAR),
    "regimen-changed-recently": Example(
        patient(regimen_changed_days_ago=41), patient(regimen_changed_days_ago=42)
    ),
    "hormone-stopped-recently": Example(
        patient(stopped=known("liothyronine", day=-41)),
        patient(stopped=known("liothyronine", day=-42)),
    ),
    "tsh-suppressed": Example(with_labs(tsh("0.09")), with_labs(tsh("0.1"))),
    "tsh-low": Example(with_labs(tsh("0.39")), with_labs(tsh("0.4"))),
    "tsh-high": Example(with_labs(tsh("4.1")), with_labs(tsh("4.0"))),
    "shortage-today": Example(with_labs(tsh("10.1")), with_labs(tsh("10"))),
    "recent-myocardial-infarction": Example(
        with_conditions("myocardial-infarction", day=-91),
        with_conditions("myocardial-infarction", day=-92),
    ),
    "unstable-angina": with_condition("unstable-angina"),
    "coronary-disease": for_good("coronary-disease"),
    "heart-failure": for_good("heart-failure"),
    "atrial-fibrillation": for_good("atrial-fibrillation"),
    "other-arrhythmia": for_good("other-arrhythmia"),
    "age-65-or-over": Example(patient(age_years=65), patient(age_years=64)),
    "desiccated-at-65": Example(patient(age_years=65), patient(age_years=65), quiet_intent=TO_LT3),
    "heart-rate-high": Example(
        patient(measurements=(tsh("2"), pulse(101))), patient(measurements=(tsh("2"), pulse(100)))
    ),
    "new-palpitations": Example(
        with_conditions("palpitations", day=-90), with_conditions("palpitations", day=-91)
    ),
    "chest-pain-reported": Example(
        patient(reported=known("chest-pain", day=-14)),
        patient(reported=known("chest-pain", day=-15)),
    ),
    "doses-missed": Example(missed_on(3), missed_on(2)),
    "symptoms-reported": Example(
        patient(reported=known("jitters", day=-90)), patient(reported=known("jitters", day=-91))
    ),
    "osteoporosis": with_condition("osteoporosis"),
    "postmenopausal-tsh-low": Example(
        patient(age_years=55, measurements=(tsh("0.39"),)),
        patient(age_years=54, measurements=(tsh("0.39"),)),
    ),
    "pregnant-t3-target": Example(patient(pregnant=True), CLEAR),
    "planning-pregnancy-t3-target": Example(patient(goals=known("planning-pregnancy")), CLEAR),
    "pregnant-moving-to-lt4": Example(patient(pregnant=True), CLEAR, TO_LT4),
    "pregnant-on-levothyroxine": Example(
        patient(pregnant=True, measurements=(tsh("2", -29), pulse(70))),
        patient(pregnant=True, measurements=(tsh("2", -28), pulse(70))),
        TO_LT4,
    ),
    "pregnancy-ended": Example(
        patient(made_for_pregnancy=True, pregnant=False),
        patient(made_for_pregnancy=True, pregnant=None),
    ),
    "warfarin": on_medicine("warfarin"),
    "antidiabetics": on_medicine("insulin"),
    "digoxin": on_medicine("digoxin"),
    "binders": on_medicine("calcium"),
    "proton-pump-inhibitor": on_medicine("proton-pump-inhibitor"),
    "need-may-rise": on_medicine("sertraline"),
    "tyrosine-kinase-inhibitor": on_medicine("tyrosine-kinase-inhibitor"),
    "antithyroid": on_medicine("antithyroid"),
    "orlistat": on_medicine("orlistat"),
    "ciprofloxacin": on_medicine("ciprofloxacin"),
    "raloxifene": on_medicine("raloxifene"),
    "oral-semaglutide": on_medicine("semaglutide"),
    "malabsorption": with_condition("coeliac-disease"),
    "amiodarone": on_medicine("amiodarone"),
    "lithium": on_medicine("lithium"),
    "ketamine": on_medicine("ketamine"),
    "sympathomimetics": on_medicine("sympathomimetic"),
    "biotin": on_medicine("biotin"),
    "allergy-pork": Example(patient(allergies=known("pork")), CLEAR),
    "allergy-desiccated-excipient": Example(patient(allergies=known("dextrose")), CLEAR),
    "allergy-to-target": Example(
        patient(allergies=known("liothyronine")),
        patient(allergies=known("levothyroxine")),
        TO_LT3,
    ),
    "lt4-high-today": Example(
        patient(regimen=regimen(levothyroxine=141)), patient(regimen=regimen(levothyroxine=140))
    ),
}

TAKES_AWAY: dict[str, dict[str, Any]] = {
    "age": {"age_years": None},
    "sex": {"sex": None},
    "weight": {"weight_kg": None},
    "conditions": {"conditions": None},
    "allergies": {"allergies": None},
    "medicines": {"medicines": None},
    "goals": {"goals": None},
    "indications": {"indications": None},
    "regimen-start": {"regimen_changed_days_ago": None},
    "stopped-hormone": {"stopped": None},
    "recent-tsh": {"measurements": (pulse(70),)},
    "recent-heart-rate": {"measurements": (tsh("2"),)},
    "pregnancy-status": {"pregnant": None},
    "infarction-date": {"conditions": known("hypothyroidism", "myocardial-infarction")},
}
"""How each datum that rules need goes missing from the clear patient."""

NEEDS = [
    pytest.param(code, need, id=f"{code} needs {need}")
    for code, rule in RULES.before.items()
    for need in rule.needs
]


def test_every_rule_has_an_example() -> None:
    assert set(EXAMPLES) == set(RULES.before)


def test_every_datum_that_rules_need_can_go_missing_here() -> None:
    assert set(TAKES_AWAY) == set(RULES.missing)
    assert set(TAKES_AWAY) == {need for rule in RULES.before.values() for need in rule.needs}


@pytest.mark.parametrize("code", EXAMPLES)
def test_a_rule_fires_with_its_severity_and_source(code: str) -> None:
    example, rule = EXAMPLES[code], RULES.before[code]
    finding = raised(example.fires, example.intent)[code]
    assert finding.severity is rule.severity
    assert finding.source == rule.source
    assert "{" not in finding.statement + finding.action + finding.instruction


@pytest.mark.parametrize("code", EXAMPLES)
def test_a_rule_stays_quiet(code: str) -> None:
    example = EXAMPLES[code]
    assert code not in raised(example.quiet, example.quiet_intent or example.intent)


@pytest.mark.parametrize(("code", "need"), NEEDS)
def test_a_rule_without_its_data_is_listed_as_unchecked(code: str, need: str) -> None:
    facts = patient(made_for_pregnancy=True, **TAKES_AWAY[need])
    intent = EXAMPLES[code].intent
    assert code not in not_checked(CLEAR, intent)
    assert need in not_checked(facts, intent)[code]
    finding = raised(facts, intent)[f"not-checked-{need}"]
    rule = RULES.before.get(code) or RULES.after[code]
    assert rule.looked_for in finding.statement
    assert finding.severity is RULES.missing[need].severity


@pytest.mark.parametrize(
    "field", sorted({field for gone in TAKES_AWAY.values() for field in gone} | {"pregnant"})
)
@pytest.mark.parametrize("code", EXAMPLES)
def test_what_raised_a_rule_cannot_vanish_unsaid(code: str, field: str) -> None:
    """Each datum of a patient on whom a rule fires is taken away in turn."""
    example = EXAMPLES[code]
    less = replace(example.fires, **{field: None})
    assert code in raised(less, example.intent) or code in not_checked(less, example.intent)


def test_what_leaves_a_stop_unchecked_for_want_of_the_patients_own_state_is_a_hold() -> None:
    """Goals and reasons are seldom recorded at all, so these two are only shown."""
    stops = {code for code, rule in RULES.before.items() if rule.severity == "stop"}
    softer = {
        need
        for code in stops
        for need in RULES.before[code].needs
        if RULES.missing[need].severity != "hold"
    }
    assert softer == {"goals", "indications"}


def test_nothing_speaks_against_the_clear_patient() -> None:
    assert raised(CLEAR, TO_LT4) == {}
    assert not_checked(CLEAR, TO_LT4) == {}


def test_findings_come_most_severe_first() -> None:
    facts = patient(age_years=70, medicines=known("warfarin"), pregnant=True)
    severities = [finding.severity.value for finding in raised(facts).values()]
    assert severities == sorted(severities, key=["stop", "hold", "note"].index)
    assert set(severities) == {"stop", "hold", "note"}


def test_a_finding_names_the_resources_that_raised_it_once_each() -> None:
    facts = patient(medicines=known("calcium", "iron", "calcium"))
    assert raised(facts)["binders"].origins == ("Known/calcium", "Known/iron")


def test_a_man_is_not_asked_about_pregnancy_or_menopause() -> None:
    facts = patient(sex=Sex.MALE, pregnant=None, measurements=(pulse(70),))
    assert "pregnant-t3-target" not in not_checked(facts)
    assert "postmenopausal-tsh-low" not in not_checked(facts)
