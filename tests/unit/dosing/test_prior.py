"""The old medicine's side: which doses it may taper through, and how it stops."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import GRAIN_60, KINETICS, LT3, LT4, stocked

from crossgrain.dosing.climb import Slot
from crossgrain.dosing.kinetics import Intake, steady
from crossgrain.dosing.moves import Medicine
from crossgrain.dosing.prior import MOST_LEVELS, old_doses, stopped, taper_problem, tapered
from crossgrain.dosing.tablets import exact_tablets

LT4_ALONE = (Intake(1 / 100, 0.02, 0.02),)


def falling(preparation, start, goal=0):
    return Medicine(preparation, Fraction(start), Fraction(goal), preparation.increment)


def levels(*medicines):
    return [tuple(float(a) for a in choice) for choice in old_doses(medicines).choices]


def test_a_medicine_falls_from_its_dose_by_increments_to_nothing():
    assert levels(falling(LT4, 50)) == [(50,), (37.5,), (25,), (12.5,), (0,)]


def test_a_dose_off_the_grid_falls_to_the_grid():
    assert levels(falling(LT4, 88))[:3] == [(88,), (87.5,), (75,)]
    assert levels(falling(LT4, "12.6")) == [(12.6,), (12.5,), (0,)]


def test_a_medicine_in_both_regimens_falls_no_further_than_its_goal():
    assert levels(falling(GRAIN_60, 120, 75)) == [(120,), (105,), (90,), (75,)]


def test_a_medicine_that_keeps_its_dose_has_that_dose_alone():
    assert levels(falling(LT4, 100, 100)) == [(100,)]


@pytest.mark.parametrize("steps", [1, MOST_LEVELS - 1, MOST_LEVELS, MOST_LEVELS + 1, 60])
def test_a_large_dose_falls_in_wider_cuts_so_that_the_choices_stay_few(steps):
    doses = old_doses([falling(LT4, Fraction("12.5") * steps)]).choices
    assert 2 <= len(doses) <= MOST_LEVELS + 1
    assert (len(doses) == steps + 1) is (steps <= MOST_LEVELS)


def test_doses_that_the_stock_does_not_make_are_left_out():
    assert levels(falling(stocked(LT4, 50, piece="1"), 100)) == [(100,), (50,), (0,)]


def test_a_preparation_without_tablets_ends_at_once():
    assert levels(falling(stocked(LT4), 100)) == [(100,), (0,)]


def test_several_medicines_share_the_choices_and_the_last_is_all_of_them_ended():
    old = old_doses([falling(LT4, 100), falling(LT3, 20)])
    assert old.choices[0] == (100, 20)
    assert old.choices[-1] == (0, 0)
    assert len(old.choices) <= (MOST_LEVELS // 2 + 1) ** 2
    assert all(exact_tablets(LT4, lt4) for lt4, _ in old.choices if lt4)


def test_nothing_rises_after_a_choice():
    old = old_doses([falling(LT4, 25), falling(LT3, 10)])
    for number, (lt4, lt3) in enumerate(old.choices):
        later = {old.choices[index] for index in old.not_above(number)}
        assert later == {(a, b) for a, b in old.choices if a <= lt4 and b <= lt3}


def test_a_choice_is_amounts_and_hormone():
    old = old_doses([falling(LT4, 25), falling(GRAIN_60, 60)])
    assert old.amounts(0) == {LT4.id: 25, GRAIN_60.id: 60}
    assert old.intake(0) == pytest.approx(Intake(25 + 38, 0, 9))


def test_stopping_takes_the_last_choice_from_day_0():
    old = old_doses([falling(LT4, 100), falling(GRAIN_60, 120, 60)])
    slots = [Slot(0, 14, {}, Fraction(99)), Slot(14, 49, {}, Fraction(99))]
    assert stopped(slots, old) == [{LT4.id: 0, GRAIN_60.id: 60}] * 2


def test_a_taper_without_anything_new_keeps_what_is_taken():
    old = old_doses([falling(LT4, 100)])
    slots = [Slot(0, 14, {}, Fraction(0)), Slot(14, 49, {}, Fraction(0))]
    start = steady(Intake(100, 0, 0))
    problem = taper_problem(KINETICS, start, slots, {LT4.id: LT4}, old, LT4_ALONE)
    assert tapered(problem, old) == [{LT4.id: 100}] * 2


@pytest.mark.parametrize(("ceiling", "kept"), [("19.9", 15), (20, 20), ("20.1", 20)])
def test_the_old_t3_falls_the_same_day_where_the_new_one_takes_its_room(ceiling, kept):
    # a grain of desiccated thyroid is not there yet: all of the LT3 would be right
    old = old_doses([falling(LT3, 20)])
    slots = [Slot(0, 14, {}, Fraction(ceiling))]
    weights = (Intake(1 / 40, 2 / 40, 2 / 40),)
    problem = taper_problem(KINETICS, steady(Intake(0, 20, 0)), slots, {LT3.id: LT3}, old, weights)
    assert tapered(problem, old) == [{LT3.id: kept}]
