"""Coverage, T3 exposure and the steady day of a course."""

from math import exp

import pytest
from tests.unit.dosing.switches import BASES, KINETICS, STEERING, regimen

from crossgrain.dosing.forecast import (
    course,
    coverage_extremes,
    coverage_weights,
    steady_day,
    t3_extremes,
    t4_extremes,
)
from crossgrain.dosing.kinetics import ConstantIntake, Intake, intake_of, steady

LABEL = BASES["label"].weights


def over(taken, basis_id="label"):
    return coverage_weights(BASES[basis_id].weights, intake_of(taken))


def followed(taken, *periods):
    return course(KINETICS, steady(intake_of(taken)), periods)


def for_days(days, **amounts):
    return ConstantIntake(days, intake_of(regimen(**amounts)))


@pytest.mark.parametrize("basis", STEERING, ids=lambda basis: basis.id)
@pytest.mark.parametrize(
    "taken", [{"lt4": 100}, {"lt3": 50}, {"mg65": 130}, {"lt4": 50, "mg60": 90}]
)
def test_the_old_regimen_covers_itself(basis, taken):
    weights, old = (
        coverage_weights(basis.weights, intake_of(regimen(**taken))),
        intake_of(regimen(**taken)),
    )
    assert sum(w * dose for w, dose in zip(weights, old, strict=True)) == pytest.approx(1)


def test_t3_in_desiccated_thyroid_weighs_what_makes_up_the_grain():
    # label: 100 µg per grain, 38 of them its T4, so (100 - 38)/9 for each µg of T3
    assert over(regimen(lt4=100)) == pytest.approx(Intake(0.01, 0.04, 62 / 900))


def test_a_course_that_changes_nothing_stays_at_one():
    covered = coverage_extremes(
        followed(regimen(lt4=100), for_days(90, lt4=100)),
        BASES["label"],
        LABEL,
        over(regimen(lt4=100)),
    )
    assert (covered.lowest.value, covered.highest.value, covered.at_end) == pytest.approx((1, 1, 1))
    assert covered.lowest.day == covered.highest.day == 0


def test_the_lowest_coverage_after_stopping_is_on_the_last_day():
    covered = coverage_extremes(
        followed(regimen(lt4=100), for_days(14), for_days(14)),
        BASES["label"],
        LABEL,
        over(regimen(lt4=100)),
    )
    assert covered.lowest.value == pytest.approx(0.5**4)
    assert (covered.lowest.day, covered.highest.day) == (28, 0)
    assert covered.at_end == pytest.approx(covered.lowest.value)


def test_an_extreme_inside_a_segment_is_found_on_its_day():
    # T3 builds up within days while T4 only starts to fall: a peak between
    old = regimen(lt4=100)
    covered = coverage_extremes(
        followed(old, for_days(60, lt4=50, lt3=25)),
        BASES["practice"],
        BASES["practice"].weights,
        over(old, "practice"),
    )
    assert 0 < covered.highest.day < 10
    assert covered.highest.value > 1.2
    assert covered.at_end == pytest.approx(1, abs=0.01)


def test_exposure_to_t3_is_all_t3_over_that_of_before():
    low, high = t3_extremes(followed(regimen(lt3=20), for_days(60, lt3=30)), Intake(0, 20, 0))
    assert low.value == pytest.approx(1)
    assert high.value == pytest.approx(1.5)


def test_the_t4_pool_has_no_ratio_where_there_was_none():
    assert t4_extremes(followed(regimen(lt3=20), for_days(60, lt4=100)), Intake(0, 20, 0)) is None


def test_the_t4_pool_runs_from_before_to_after():
    low, high = t4_extremes(
        followed(regimen(lt4=100), for_days(7, lt4=0), for_days(200, lt4=150)), Intake(100, 0, 0)
    )
    assert (low.value, low.day) == (pytest.approx(0.5), 7)
    assert (high.value, high.day) == (pytest.approx(1.5, abs=1e-6), 207)


# --- steady ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("lt4_ug", "at_once"), [("95.1", True), ("95", True), ("94.9", False)])
def test_a_change_of_exactly_five_percent_counts_as_steady_at_once(lt4_ug, at_once):
    day = steady_day(followed(regimen(lt4=100), for_days(90, lt4=lt4_ug)), Intake(100, 0, 0), 0.05)
    assert (day == 0) is at_once


@pytest.mark.parametrize(("lt4_ug", "at_once"), [("105.2", True), ("105.3", False)])
def test_the_five_percent_are_of_the_larger_of_old_and_new(lt4_ug, at_once):
    # 5.26 is 5 % of 105.26
    day = steady_day(followed(regimen(lt4=100), for_days(90, lt4=lt4_ug)), Intake(100, 0, 0), 0.05)
    assert (day == 0) is at_once


def test_a_pool_that_ends_is_steady_after_four_half_lives_and_a_third():
    # 0.5 ** 4.32 = 0.05; 4.32 times 7 days is 30.25; the T3 made from it lags a little
    day = steady_day(followed(regimen(lt4=100), for_days(90)), Intake(100, 0, 0), 0.05)
    assert day in {32, 33}
    t3_left = (7 * exp(-day * 0.0990210) - exp(-day * 0.6931472)) / 6
    assert t3_left <= 0.05


def test_only_the_last_dose_can_become_steady():
    changing = followed(regimen(lt4=100), for_days(200, lt4=50), for_days(90, lt4=51))
    assert steady_day(changing, Intake(100, 0, 0), 0.05) == 200


def test_a_pool_that_came_and_went_is_steady_when_it_is_gone():
    # 12.5 µg LT4 for ten weeks between LT3 alone and LT3 alone: after 60 days 0.3 % is left
    passing = followed(regimen(lt3=10), for_days(70, lt3=10, lt4="12.5"), for_days(49, lt3=10))
    assert steady_day(passing, Intake(0, 10, 0), 0.05) <= 70 + 60
