"""The new medicine's schedule: when it climbs, when it starts at once, and by how much."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import CATALOGUE, GRAIN_60, KINETICS, LT3, LT4, stocked

from crossgrain.dosing.climb import (
    MOST_CHANGES,
    new_schedule,
    rising_amounts,
    t3_at_goal,
    t3_before,
    wait_days,
)
from crossgrain.dosing.kinetics import Kinetics
from crossgrain.dosing.moves import Move
from crossgrain.names.errors import DomainError

POLICY = CATALOGUE.policy
STANDARD = POLICY.pace("standard")
HOLD_DAYS = 49


def medicine(preparation, start, goal, increment=None):
    return Move(
        preparation,
        Fraction(start),
        Fraction(goal),
        Fraction(increment) if increment else preparation.increment,
    )


def schedule(*moving, pace=STANDARD):
    return new_schedule(moving, pace, POLICY, HOLD_DAYS)


def test_a_rise_in_t3_is_climbed_one_increment_an_interval_and_the_last_slot_is_the_hold():
    slots = schedule(medicine(GRAIN_60, 0, 60), medicine(LT4, 100, 0))
    assert [slot.first_day for slot in slots] == [0, 14, 28, 42]
    assert [slot.days for slot in slots] == [14, 14, 14, HOLD_DAYS]
    assert [slot.amounts[GRAIN_60.id] for slot in slots] == [15, 30, 45, 60]


@pytest.mark.parametrize(("lt3_ug", "climbs"), [("8.99", True), ("9", False), ("9.01", False)])
def test_there_is_a_climb_only_where_t3_rises_at_all(lt3_ug, climbs):
    # one grain holds 9 µg T3
    moving = (medicine(GRAIN_60, 0, 60), medicine(LT3, lt3_ug, 0))
    assert (t3_at_goal(moving) > t3_before(moving)) is climbs
    first = schedule(*moving)[0].amounts[GRAIN_60.id]
    assert first == (15 if climbs else 60)


def test_a_move_without_a_climb_starts_at_its_goal_and_lets_the_old_fall_on_a_weekly_grid():
    slots = schedule(medicine(LT4, 0, 100), medicine(LT3, 50, 0))
    assert [slot.first_day for slot in slots] == [0, 7, 14, 21, 28]
    assert {slot.amounts[LT4.id] for slot in slots} == {100}
    assert slots[-1].days == HOLD_DAYS


def test_each_step_leaves_room_for_one_increment_of_t3_more():
    slots = schedule(medicine(GRAIN_60, 0, 45), medicine(LT3, 5, 0))
    assert [slot.t3_ceiling_ug for slot in slots] == [
        Fraction(5) + n * Fraction("2.25") for n in (1, 2, 3)
    ]


def test_without_a_climb_there_is_room_for_one_increment_in_all():
    slots = schedule(medicine(GRAIN_60, 0, 60), medicine(LT3, 10, 0))
    assert {slot.t3_ceiling_ug for slot in slots} == {Fraction("12.25")}


def test_lt4_in_a_new_combination_starts_at_its_goal_while_lt3_climbs():
    slots = schedule(medicine(LT4, 0, 75), medicine(LT3, 0, 10), medicine(GRAIN_60, 60, 0))
    assert [slot.amounts for slot in slots] == [
        {LT4.id: 75, LT3.id: 5},
        {LT4.id: 75, LT3.id: 10},
    ]


def test_two_medicines_with_t3_climb_one_after_the_other():
    slots = schedule(medicine(GRAIN_60, 0, 30), medicine(LT3, 0, 5), medicine(LT4, 100, 0))
    assert [tuple(slot.amounts.values()) for slot in slots] == [(15, 0), (30, 0), (30, 5)]


@pytest.mark.parametrize(
    ("start", "goal", "doses"),
    [(0, 15, [5, 10, 15]), ("7.5", 15, [10, 15]), (5, 15, [10, 15]), (10, "12.5", ["12.5"])],
)
def test_a_climb_goes_from_what_is_taken_by_the_grid_to_the_goal(start, goal, doses):
    expected = [Fraction(dose) for dose in doses]
    assert rising_amounts(medicine(LT3, start, goal)) == expected


def test_a_gap_in_the_stock_wider_than_an_increment_is_refused():
    with pytest.raises(DomainError, match="makes the step above 10 micrograms"):
        rising_amounts(medicine(stocked(LT3, 10, scored=False), 10, 20))


@pytest.mark.parametrize("steps", [1, MOST_CHANGES, MOST_CHANGES + 1, 3 * MOST_CHANGES, 20])
def test_in_a_long_climb_the_old_dose_may_change_only_at_some_steps_and_at_the_last(steps):
    slots = schedule(medicine(GRAIN_60, 0, 15 * steps), medicine(LT4, 100, 0))
    assert len(slots) == steps
    may = [slot.old_may_change for slot in slots]
    assert may[0]
    assert may[-1]
    assert sum(may) <= MOST_CHANGES + 1
    assert all(may) is (steps <= MOST_CHANGES)


@pytest.mark.parametrize(("half_life", "days"), [(7.0, 42), (9.7, 42), (9.8, 43), (10.0, 44)])
def test_labs_wait_for_the_t4_pool_where_its_half_life_makes_six_weeks_too_short(half_life, days):
    # ln 20 residences leave 5 %: 4.32 half-lives
    kinetics = Kinetics(half_life, 1.0, 0.75, 0.95, 0.35)
    assert wait_days(kinetics, POLICY) == days
    assert wait_days(KINETICS, POLICY) == 42
