"""What today's TSH says of today's dose, by the patient's own limits; or why it says nothing."""

from fractions import Fraction
from typing import Any

import pytest
from tests.unit.safety.patients import (
    CLEAR,
    RULES,
    TO_LT4,
    known,
    patient,
    pulse,
    raised,
    regimen,
    tsh,
)

from crossgrain.catalogue import load_catalogue
from crossgrain.safety.facts import Analyte, Facts, Measurement
from crossgrain.safety.need import SHORTAGE, TodaysNeed, need_of

POLICY = load_catalogue().policy


def need(facts: Facts) -> TodaysNeed:
    return need_of(facts, RULES.before[SHORTAGE], POLICY)


def with_tsh(value: str, day: int = -30, **changes: Any) -> Facts:
    low, high, sign = (changes.pop(name, None) for name in ("low", "high", "comparator"))
    drawn = tsh(value, day, low=low, high=high, comparator=sign or "")
    return patient(measurements=(drawn, pulse(70)), **changes)


def free_t4(value: str, day: int = -30, low: str | None = "12") -> Measurement:
    return Measurement(
        Analyte.FREE_T4, Fraction(value), day, "Observation/ft4", low=low and Fraction(low)
    )


# The factors are our judgement; the limits are those of `tsh`, of the trimesters and of 70 years.
@pytest.mark.parametrize(
    ("value", "part"),
    [
        ("10.1", "1.2"), ("10", "1.1"), ("4.1", "1.1"), ("4.0", "1"), ("0.4", "1"),
        ("0.39", "0.9"), ("0.1", "0.9"), ("0.09", "0.8"),
    ],
)  # fmt: skip
def test_each_limit_sets_the_need_below_at_and_above_it(value: str, part: str) -> None:
    found = need(with_tsh(value))
    assert found.part == Fraction(part)
    assert found.said.inputs == ("Observation/tsh",)
    assert value.rstrip("0").rstrip(".") in found.said.arithmetic
    changes = "changes nothing" in found.said.title
    assert changes is (part == "1")


@pytest.mark.parametrize(
    ("changes", "value", "part"),
    [
        ({"age_years": 70}, "6.0", "1"),
        ({"age_years": 70}, "6.1", "1.1"),
        ({"age_years": 69}, "6.0", "1.1"),
        ({"high": Fraction(5)}, "4.9", "1"),
        ({"low": Fraction("0.3")}, "0.3", "1"),
        ({"low": Fraction("0.05")}, "0.08", "1"),
        ({"pregnant": True}, "2.5", "1"),
        ({"pregnant": True}, "2.6", "1.1"),
        ({"pregnant": True}, "10.1", "1.2"),
        ({"pregnant": True}, "0.05", "1"),
    ],
)
def test_the_limits_are_the_patients_own(changes: dict[str, Any], value: str, part: str) -> None:
    assert need(with_tsh(value, **changes)).part == Fraction(part)


@pytest.mark.parametrize(
    ("sign", "value", "part"), [(">", "100", "1.2"), ("<", "0.1", "0.8"), ("<", "5", "1")]
)
def test_a_result_beyond_what_is_measured_counts_as_far_as_it_is_certain(
    sign: str, value: str, part: str
) -> None:
    assert need(with_tsh(value, comparator=sign)).part == Fraction(part)


@pytest.mark.parametrize(("sign", "value"), [("<", "5"), (">", "2"), ("<=", "0.4")])
def test_a_tsh_that_may_lie_on_either_side_of_a_limit_is_not_called_in_range(
    sign: str, value: str
) -> None:
    found = need(with_tsh(value, comparator=sign))
    assert found.part == 1
    assert "does not tell whether it is low, in range or high" in found.said.arithmetic
    assert "neither below" not in found.said.arithmetic


@pytest.mark.parametrize("value", ["0.05", "30"])
@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"conditions": known("central-hypothyroidism")}, "central"),
        ({"goals": known("tsh-suppression-goal")}, "on purpose"),
        ({"medicines": known("biotin")}, "biotin"),
        ({"day": -91}, "more than 90 days old"),
        ({"regimen_changed_days_ago": 71}, "less than 42 days after the last change"),
        ({"stopped": known("liothyronine", day=-71)}, "another thyroid hormone ended"),
        ({"stopped": known("liothyronine")}, "another thyroid hormone ended"),
    ],
)
def test_where_a_tsh_does_not_count_it_changes_nothing_and_says_why(
    value: str, changes: dict[str, Any], why: str
) -> None:
    found = need(with_tsh(value, **changes))
    assert found.part == 1
    assert why in found.said.arithmetic
    assert value in found.said.arithmetic
    assert SHORTAGE not in raised(with_tsh(value, **changes), TO_LT4)


@pytest.mark.parametrize(
    "changes",
    [
        {"day": -90},
        {"regimen_changed_days_ago": 72},
        {"regimen_changed_days_ago": None},
        {"stopped": known("liothyronine", day=-72)},
        {"stopped": None},
        {"medicines": None},
    ],
)
def test_a_tsh_counts_from_six_weeks_after_the_change_or_where_no_change_is_known(
    changes: dict[str, Any],
) -> None:
    assert need(with_tsh("30", **changes)).part == Fraction("1.2")


def test_no_tsh_or_one_without_a_date_or_not_final_changes_nothing() -> None:
    assert need(patient(measurements=None)).part == 1
    assert "holds none" in need(patient(measurements=())).said.arithmetic
    assert need(patient(measurements=(tsh("30", None),))).part == 1
    early = need(patient(measurements=(tsh("2", -60), tsh("30", -5, preliminary=True))))
    assert early.part == 1
    assert "not final" in early.said.arithmetic


def test_results_of_one_day_that_contradict_each_other_change_nothing() -> None:
    assert need(patient(measurements=(tsh("5"), tsh("6")))).part == Fraction("1.1")
    found = need(patient(measurements=(tsh("2"), tsh("30"))))
    assert found.part == 1
    assert "contradict" in found.said.arithmetic


def test_the_latest_tsh_counts() -> None:
    assert need(patient(measurements=(tsh("30", -80), tsh("2", -10)))).part == 1


@pytest.mark.parametrize(("value", "part"), [("11.9", "1.2"), ("12", "1"), ("12.1", "1")])
def test_a_low_free_t4_asks_for_more_where_no_t3_is_swallowed(value: str, part: str) -> None:
    labs = (tsh("2"), free_t4(value))
    assert need(patient(measurements=labs)).part == Fraction(part)
    with_t3 = patient(measurements=labs, regimen=regimen(levothyroxine=75, liothyronine=10))
    assert need(with_t3).part == 1


def test_a_free_t4_that_no_laboratory_calls_low_or_that_is_old_asks_for_nothing() -> None:
    assert need(patient(measurements=(tsh("2"), free_t4("3", low=None)))).part == 1
    assert need(patient(measurements=(tsh("2"), free_t4("3", day=-91)))).part == 1
    assert need(patient(measurements=(free_t4("3"),))).part == 1


@pytest.mark.parametrize("value", ["0.3", "0.02"])
def test_a_low_free_t4_beside_a_low_tsh_contradicts_it_and_changes_nothing(value: str) -> None:
    found = need(patient(measurements=(tsh(value), free_t4("5"))))
    assert found.part == 1
    assert "contradict" in found.said.arithmetic
    assert set(found.said.inputs) == {"Observation/tsh", "Observation/ft4"}


def test_a_shortage_is_treated_first_wherever_the_need_is_highest() -> None:
    assert SHORTAGE not in raised(with_tsh("10"), TO_LT4)
    found = raised(with_tsh("10.1"), TO_LT4)[SHORTAGE]
    assert found.severity == "hold"
    assert "10.1 mIU/L (30 days ago)" in found.statement
    assert "42 days" in found.action
    short = patient(measurements=(tsh("2"), free_t4("8"), pulse(70)))
    assert "free T4 is 8" in raised(short, TO_LT4)[SHORTAGE].statement
    assert SHORTAGE not in raised(CLEAR, TO_LT4)
