"""Adrenal, pituitary and thyroid states, and what the latest TSH says of them."""

import pytest
from tests.unit.safety.patients import (
    TO_LT4,
    known,
    not_checked,
    patient,
    pulse,
    raised,
    tsh,
    with_conditions,
    with_labs,
)

from crossgrain.safety.facts import Analyte, Measurement
from crossgrain.safety.rule import Severity


def test_adrenal_insufficiency_with_unknown_medicines_counts_as_uncorrected() -> None:
    facts = patient(conditions=known("hypothyroidism", "adrenal-insufficiency"), medicines=None)
    assert raised(facts)["adrenal-insufficiency"].severity is Severity.STOP


def test_adrenal_insufficiency_stops_a_move_to_lt4_too() -> None:
    assert "adrenal-insufficiency" in raised(with_conditions("adrenal-insufficiency"), TO_LT4)


def test_suppressed_tsh_without_a_rise_is_a_hold_not_a_stop() -> None:
    found = raised(with_labs(tsh("0.05")), TO_LT4)
    assert "tsh-suppressed" not in found
    assert found["tsh-low"].severity is Severity.HOLD


def test_suppressed_tsh_with_a_rise_is_said_once() -> None:
    found = raised(with_labs(tsh("0.05")))
    assert "tsh-suppressed" in found
    assert "tsh-low" not in found


@pytest.mark.parametrize(
    ("result", "fires"),
    [
        (tsh("0.1", comparator="<"), True),
        (tsh("0.01", comparator="<"), True),
        (tsh("0.4", comparator="<"), False),
        (tsh("0.1", comparator="<="), False),
        (tsh("0.05", comparator=">"), False),
    ],
)
def test_a_comparator_counts_only_where_it_is_certain(result: Measurement, fires: bool) -> None:
    assert ("tsh-suppressed" in raised(with_labs(result))) is fires


def test_the_laboratorys_own_range_decides_what_is_low_and_high() -> None:
    low = with_labs(tsh("0.45", low=tsh("0.5").value, high=tsh("5").value))
    high = with_labs(tsh("4.5", low=tsh("0.5").value, high=tsh("5").value))
    assert "tsh-low" in raised(low)
    assert "tsh-high" not in raised(high)


def test_an_older_result_gives_way_to_a_newer() -> None:
    assert "tsh-suppressed" not in raised(with_labs(tsh("0.02", -60), tsh("1.5", -20)))
    assert "tsh-suppressed" in raised(with_labs(tsh("1.5", -60), tsh("0.02", -20)))


def test_a_preliminary_result_since_the_last_final_one_is_heeded() -> None:
    facts = with_labs(tsh("1.5", -60), tsh("0.02", -2, preliminary=True))
    assert "preliminary" in raised(facts)["tsh-suppressed"].statement


def test_a_preliminary_result_alone_does_not_count_as_recent() -> None:
    facts = with_labs(tsh("1.5", -2, preliminary=True))
    assert "recent-tsh" in not_checked(facts)["tsh-suppressed"]


def test_an_undated_suppressed_result_stops_until_a_fresh_one_clears_it() -> None:
    assert "undated" in raised(with_labs(tsh("0.02", None)))["tsh-suppressed"].statement
    assert "tsh-suppressed" not in raised(with_labs(tsh("0.02", None), tsh("1.5")))


@pytest.mark.parametrize(("day", "stale"), [(-89, False), (-90, False), (-91, True), (1, True)])
def test_a_tsh_is_recent_for_ninety_days(day: int, stale: bool) -> None:
    assert ("not-checked-recent-tsh" in raised(with_labs(tsh("2.0", day)))) is stale


@pytest.mark.parametrize("goal", ["central-hypothyroidism", "tsh-suppression-goal"])
def test_tsh_is_not_read_where_it_is_no_guide_and_that_is_a_hold(goal: str) -> None:
    conditions = known("hypothyroidism", goal)
    found = raised(patient(conditions=conditions, measurements=(tsh("0.02"), pulse(70))))
    assert "tsh-suppressed" not in found
    assert found[goal].severity is Severity.HOLD


def test_a_suppression_goal_among_the_goals_alone_is_heeded_too() -> None:
    goals = known("tsh-suppression-goal")
    for result, code in ((tsh("0.02"), "tsh-suppressed"), (tsh("6"), "tsh-high")):
        assert code in raised(with_labs(result))
        found = raised(patient(goals=goals, measurements=(result, pulse(70))))
        assert code not in found
        assert found["tsh-suppression-goal"].severity is Severity.HOLD


def test_thyroid_cancer_alone_does_not_excuse_a_suppressed_tsh() -> None:
    conditions = known("hypothyroidism", "thyroid-cancer")
    found = raised(patient(conditions=conditions, measurements=(tsh("0.02"), pulse(70))))
    assert {"tsh-suppressed", "tsh-suppression-goal"} <= set(found)


def test_central_hypothyroidism_says_which_free_t4_is_at_hand() -> None:
    without = with_conditions("central-hypothyroidism")
    free_t4 = Measurement(Analyte.FREE_T4, tsh("13").value, -12, "Observation/ft4")
    assert "none is recent" in raised(without)["central-hypothyroidism"].statement
    conditions = known("central-hypothyroidism")
    found = raised(patient(conditions=conditions, measurements=(tsh("2"), pulse(70), free_t4)))
    assert "13 pmol/L (12 days ago)" in found["central-hypothyroidism"].statement


def test_hormone_stopped_on_no_known_day_counts_as_recent() -> None:
    assert "hormone-stopped-recently" in raised(patient(stopped=known("liothyronine")))


@pytest.mark.parametrize(("days", "fires"), [(0, True), (41, True), (42, False), (43, False)])
def test_a_regimen_is_steady_after_six_weeks(days: int, fires: bool) -> None:
    found = raised(patient(regimen_changed_days_ago=days))
    assert ("regimen-changed-recently" in found) is fires
