"""Heart, bone and pregnancy, and what they demand of the planner."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.safety.patients import (
    CLEAR,
    RULES,
    TO_DESICCATED,
    TO_LT3,
    TO_LT4,
    known,
    not_checked,
    patient,
    raised,
    regimen,
    tsh,
    with_conditions,
)

from crossgrain.safety.assess import before_plan, constraints
from crossgrain.safety.facts import Constraints, Facts, Intent, MissedDays, Sex
from crossgrain.safety.rule import Severity


def demanded(facts: Facts, intent: Intent = TO_DESICCATED) -> Constraints:
    return constraints(before_plan(facts, intent, RULES), RULES)


@pytest.mark.parametrize(
    "key", ["coronary-disease", "heart-failure", "atrial-fibrillation", "other-arrhythmia"]
)
def test_cardiac_disease_allows_only_a_slow_overlap_from_the_smallest_step(key: str) -> None:
    assert demanded(with_conditions(key)) == Constraints(
        slowly=True,
        too_much_weighs=key != "heart-failure",
        codes=(key,),
    )


@pytest.mark.parametrize(("age", "slow"), [(64, False), (65, True), (66, True)])
def test_sixty_five_is_treated_as_cardiac_disease_is(age: int, slow: bool) -> None:
    found = demanded(patient(age_years=age))
    assert found.slowly is slow
    assert found.too_much_weighs is slow
    assert not found.too_little_weighs


def test_nothing_is_demanded_for_the_clear_patient() -> None:
    assert demanded(CLEAR) == Constraints()


def test_pregnancy_demands_a_generous_move_to_lt4_with_tsh_every_four_weeks() -> None:
    found = demanded(patient(pregnant=True), TO_LT4)
    assert found.lt4_at_least_most_generous
    assert found.tsh_every_days == 28
    assert found.too_little_weighs
    assert not found.too_much_weighs
    assert not found.slowly


@pytest.mark.parametrize("key", ["pregnant", "hypothyroidism-in-pregnancy"])
def test_pregnancy_on_the_condition_list_counts_whatever_an_observation_says(key: str) -> None:
    facts = with_conditions(key)
    assert facts.pregnant is False
    assert raised(facts, TO_LT3)["pregnant-t3-target"].severity is Severity.STOP


@pytest.mark.parametrize(
    ("age", "asked"), [(11, False), (12, True), (55, True), (56, False), (None, True)]
)
def test_pregnancy_is_asked_about_at_child_bearing_age(age: int | None, asked: bool) -> None:
    facts = patient(pregnant=None, age_years=age)
    assert ("pregnant-t3-target" in not_checked(facts)) is asked


def test_pregnancy_is_asked_about_where_the_sex_is_not_recorded() -> None:
    assert "pregnant-t3-target" in not_checked(patient(pregnant=None, sex=None))


def test_an_infarction_called_resolved_still_stops_within_three_months() -> None:
    assert "recent-myocardial-infarction" in raised(
        with_conditions("myocardial-infarction", day=-10, active=False)
    )


def test_an_undated_infarction_is_asked_about_and_slows_the_plan() -> None:
    facts = with_conditions("myocardial-infarction")
    assert not_checked(facts)["recent-myocardial-infarction"] == ("infarction-date",)
    assert demanded(facts).slowly


def test_an_old_infarction_slows_the_plan_without_a_question() -> None:
    facts = with_conditions("old-myocardial-infarction")
    assert "recent-myocardial-infarction" not in not_checked(facts)
    assert demanded(facts).slowly


def test_palpitations_without_a_date_count_as_new() -> None:
    assert "new-palpitations" in raised(with_conditions("palpitations"))


def test_osteoporosis_is_quiet_where_tsh_is_in_range_and_nothing_rises() -> None:
    assert "osteoporosis" not in raised(with_conditions("osteoporosis"), TO_LT4)
    low = replace(with_conditions("osteoporosis"), measurements=(tsh("0.3"),))
    assert "osteoporosis" in raised(low, TO_LT4)


@pytest.mark.parametrize(("age", "fires"), [(54, False), (55, True), (56, True)])
def test_a_woman_of_fifty_five_is_taken_to_be_past_the_menopause(age: int, fires: bool) -> None:
    facts = patient(age_years=age, measurements=(tsh("0.3"),))
    assert ("postmenopausal-tsh-low" in raised(facts)) is fires


def test_a_recorded_menopause_counts_at_any_age() -> None:
    facts = replace(with_conditions("post-menopausal"), measurements=(tsh("0.3"),))
    assert "postmenopausal-tsh-low" in raised(facts)


def test_a_man_of_sixty_is_not() -> None:
    facts = patient(age_years=60, sex=Sex.MALE, measurements=(tsh("0.3"),))
    assert "postmenopausal-tsh-low" not in raised(facts)


@pytest.mark.parametrize(
    ("lt4_ug", "kg", "fires"),
    [(140, 70, False), ("140.1", 70, True), (139, 70, False), (200, 120, False), (201, 120, True)],
)
def test_lt4_today_is_held_above_200_ug_or_2_ug_per_kg(
    lt4_ug: str | int, kg: int, fires: bool
) -> None:
    facts = patient(regimen=regimen(levothyroxine=lt4_ug), weight_kg=Fraction(kg))
    assert ("lt4-high-today" in raised(facts)) is fires


def test_lt4_above_200_is_held_without_a_weight() -> None:
    facts = patient(regimen=regimen(levothyroxine=225), weight_kg=None)
    assert "225 micrograms a day" in raised(facts)["lt4-high-today"].statement


def test_a_patient_without_lt4_is_not_asked_for_a_weight() -> None:
    facts = patient(regimen=regimen(liothyronine=50), weight_kg=None)
    assert "lt4-high-today" not in not_checked(facts)


def test_a_binder_puts_the_four_hours_into_the_instruction() -> None:
    finding = raised(patient(medicines=known("calcium", "iron")))["binders"]
    assert finding.instruction == "Take at least 4 hours apart from: calcium and iron."


def test_an_allergy_to_pork_does_not_stand_in_the_way_of_a_synthetic_target() -> None:
    facts = patient(allergies=known("pork"))
    assert "allergy-pork" not in raised(facts, TO_LT3)
    assert "allergy-pork" not in not_checked(patient(allergies=None), TO_LT3)


def test_palpitations_that_the_patient_reports_count_as_new() -> None:
    assert "new-palpitations" in raised(patient(reported=known("palpitations", day=-1)))


@pytest.mark.parametrize("days", [None, 0, -14])
def test_chest_pain_that_the_patient_reports_stops_every_move(days: int | None) -> None:
    assert "chest-pain-reported" in raised(patient(reported=known("chest-pain", day=days)))


def test_missed_days_that_were_reported_too_long_ago_say_nothing_of_today() -> None:
    late = patient(missed=(MissedDays(14, "Said/1", -43),))
    assert "doses-missed" not in raised(late)


def test_missed_days_that_were_reported_without_a_date_may_be_of_today() -> None:
    assert "doses-missed" in raised(patient(missed=(MissedDays(3, "Said/1"),)))
