"""A TSH is judged by the patient's own limits: of age, pregnancy, a goal, or not at all."""

from fractions import Fraction

import pytest
from tests.unit.safety.patients import (
    CLEAR,
    RULES,
    TO_DESICCATED,
    TO_LT4,
    known,
    patient,
    pulse,
    raised,
    tsh,
)

from crossgrain.safety.results import Whose, tsh_limits


def codes(value: str, day: int = -30, **changes: object) -> set[str]:
    high, low = (changes.pop(name, None) for name in ("high", "low"))
    drawn = tsh(value, day, high=high, low=low)
    return set(raised(patient(measurements=(drawn, pulse(70)), **changes), TO_LT4))


# American Thyroid Association 2014, as summarised: 4-6 acceptable at 70-80 years.
@pytest.mark.parametrize(
    ("age", "value", "high"),
    [(69, "4.1", True), (70, "5.9", False), (70, "6.0", False), (70, "6.1", True),
     (85, "6.0", False)],
)  # fmt: skip
def test_from_seventy_years_a_tsh_up_to_six_is_not_high(age: int, value: str, high: bool) -> None:
    assert ("tsh-high" in codes(value, age_years=age)) is high


def test_the_larger_of_the_laboratorys_limit_and_six_counts_from_seventy_years() -> None:
    assert "tsh-high" not in codes("7.0", age_years=75, high=Fraction(8))
    assert "tsh-high" not in codes("5.5", age_years=75, high=Fraction(5))


# American Thyroid Association 2017 pregnancy guideline, quick reference: the trimester's range or
# below 2.5. Trimesters: 0.1-2.5, 0.2-3.0, 0.3-3.0 (secondary).
@pytest.mark.parametrize(
    ("value", "expected"),
    [("2.5", set()), ("2.6", {"tsh-high"}), ("0.2", set()), ("0.1", set()), ("0.09", {"tsh-low"})],
)
def test_in_pregnancy_tsh_is_judged_by_the_trimesters(value: str, expected: set[str]) -> None:
    assert codes(value, pregnant=True) & {"tsh-high", "tsh-low"} == expected


def test_in_pregnancy_the_lower_of_the_laboratorys_limit_counts() -> None:
    assert "tsh-high" in codes("2.3", pregnant=True, high=Fraction("2.2"))


SHORT = "today's dose is less than replacement"
OPEN = "it does not tell whether today's dose is too little"


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({}, SHORT),
        ({"regimen_changed_days_ago": 72}, SHORT),
        ({"regimen_changed_days_ago": 71}, f"42 days after the last change of dose, {OPEN}"),
        ({"medicines": known("biotin")}, f"with biotin taken, which makes it read falsely, {OPEN}"),
    ],
)
def test_a_high_tsh_calls_a_dose_too_little_only_once_it_can_speak_of_it(
    changes: dict[str, object], says: str
) -> None:
    drawn = patient(measurements=(tsh("6.2", -30), pulse(70)), **changes)
    finding = raised(drawn, TO_LT4)["tsh-high"]
    assert says in finding.statement
    assert ("the checkpoint" in finding.action) is (says == SHORT)


def test_below_a_tenth_counts_only_under_the_laboratorys_own_limit() -> None:
    def stops(value: str, low: str) -> bool:
        drawn = tsh(value, low=Fraction(low))
        return "tsh-suppressed" in raised(patient(measurements=(drawn, pulse(70))), TO_DESICCATED)

    assert stops("0.08", "0.4")
    assert not stops("0.08", "0.08")
    assert stops("0.07", "0.08")


@pytest.mark.parametrize("value", ["0.02", "30"])
def test_in_central_hypothyroidism_no_tsh_says_anything(value: str) -> None:
    """Not even of the bone: what low TSH stands for there, free T4 tells."""
    conditions = known("central-hypothyroidism", "osteoporosis", "post-menopausal")
    found = codes(value, conditions=conditions, age_years=60)
    assert not found & {"tsh-high", "tsh-low", "tsh-suppressed", "postmenopausal-tsh-low"}
    assert "osteoporosis" not in found  # no rise, and no TSH that speaks


def test_a_tsh_that_is_kept_low_on_purpose_still_costs_bone() -> None:
    found = codes(
        "0.05", goals=known("tsh-suppression-goal"), conditions=known("osteoporosis"), age_years=60
    )
    assert {"osteoporosis", "postmenopausal-tsh-low"} <= found
    assert not found & {"tsh-low", "tsh-suppressed"}


@pytest.mark.parametrize(
    ("age", "days", "shown"), [(69, 30, True), (70, 30, False), (75, 1800, False), (75, 2200, True)]
)
def test_a_tsh_shows_the_disease_by_the_age_at_which_it_was_drawn(
    age: int, days: int, shown: bool
) -> None:
    found = codes("5.0", -days, age_years=age, conditions=(), indications=())
    assert ("hypothyroidism-unconfirmed" in found) is shown
    assert ("hypothyroidism-not-established" in found) is not shown


def test_what_pregnancy_lowers_shows_no_disease() -> None:
    found = codes("3.0", pregnant=True, conditions=known("pregnant"), indications=())
    assert "hypothyroidism-not-established" in found


@pytest.mark.parametrize(
    ("changes", "whose"),
    [
        ({}, Whose.USUAL),
        ({"age_years": 70}, Whose.OLDER),
        ({"age_years": None}, Whose.USUAL),
        ({"pregnant": True}, Whose.PREGNANT),
        ({"conditions": known("hypothyroidism-in-pregnancy")}, Whose.PREGNANT),
        ({"goals": known("tsh-suppression-goal"), "pregnant": True}, Whose.GOAL),
        ({"conditions": known("central-hypothyroidism"), "age_years": 80}, Whose.CENTRAL),
    ],
)
def test_the_first_state_that_holds_counts(changes: dict[str, object], whose: Whose) -> None:
    assert tsh_limits(patient(**changes), RULES).whose is whose


def test_the_limits_are_those_of_the_rules() -> None:
    limits = tsh_limits(CLEAR, RULES)
    assert (limits.low, limits.high) == (Fraction("0.4"), Fraction(4))
    assert (limits.older_years, limits.older_high) == (70, 6)
    assert (limits.pregnant_low, limits.pregnant_high) == (Fraction("0.1"), Fraction("2.5"))
