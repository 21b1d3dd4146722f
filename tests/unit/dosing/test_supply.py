"""Prescriptions: what is shared by one, when a new one begins, and how much is handed out."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import CATALOGUE, GRAIN_60, LT4

from crossgrain.dosing.case import order_line
from crossgrain.dosing.plan import LabDraw
from crossgrain.dosing.steps import LineDose, Stage, Step, SwitchPart, courses
from crossgrain.dosing.supply import draws, prescriptions
from crossgrain.dosing.tablets import best_day_dose

SUPPLY = replace(CATALOGUE.policy.supply, reserve_days=14, dispensed_days=98)


def line(preparation, amount):
    dose = best_day_dose(preparation, Fraction(amount))
    return order_line(preparation, Fraction(amount), SwitchPart.NEW, dose)


def steps(*periods):
    day, made = 0, []
    for days, *doses in periods:
        made.append(Step(Stage.CLIMB, day, day + days - 1, tuple(line(*dose) for dose in doses)))
        day += days
    return made


def prescribed(*periods, stops=(), supply=SUPPLY):
    return [
        (p.preparation.id, float(p.strength), p.first_day, p.last_day, p.tablets, p.days)
        for p in prescriptions(courses(steps(*periods)), supply, stops)
    ]


def test_steps_of_one_product_share_a_prescription_with_two_weeks_in_reserve_at_the_end():
    # 14 days of half a tablet, 14 of one, and 14 more of one in reserve
    assert prescribed((14, (LT4, "12.5")), (14, (LT4, 25)), (14, (GRAIN_60, 15))) == [
        (LT4.id, 25, 0, 27, 21, 28),
        (GRAIN_60.id, 15, 28, 41, 28, 28),
    ]
    assert prescribed((14, (LT4, "12.5")), (14, (LT4, 25))) == [(LT4.id, 25, 0, 27, 35, 42)]


def test_no_prescription_leaves_days_between_its_steps():
    # between two instructions of one order nobody could tell whether its tablets are taken
    assert [row[:4] for row in prescribed((14, (LT4, 50)), (14, (GRAIN_60, 15)), (14, (LT4, 50)))
            if row[0] == LT4.id] == [(LT4.id, 50, 0, 13), (LT4.id, 50, 28, 41)]  # fmt: skip


def test_where_another_strength_is_added_all_that_is_taken_with_it_is_prescribed_anew():
    # 60 mg alone, then 60 and 15 mg: whoever signs the 15 sees the 60 beside it
    assert [row[1:4] for row in prescribed((14, (GRAIN_60, 60)), (14, (GRAIN_60, 75)))] == [
        (60, 0, 13), (60, 14, 27), (15, 14, 27),
    ]  # fmt: skip


def test_where_a_strength_is_left_out_what_goes_on_stays_one_prescription():
    assert [row[1:4] for row in prescribed((14, (GRAIN_60, 75)), (14, (GRAIN_60, 60)))] == [
        (60, 0, 27), (15, 0, 13),
    ]  # fmt: skip


def test_each_strength_is_a_prescription_of_its_own():
    assert [row[:2] for row in prescribed((14, (GRAIN_60, 75)))] == [
        (GRAIN_60.id, 60),
        (GRAIN_60.id, 15),
    ]


@pytest.mark.parametrize(("last", "many"), [(84, 1), (85, 2)])
def test_a_prescription_covers_steps_within_its_dispensing_period_alone(last, many):
    # 14 days and then 84 are 98
    assert len(prescribed((14, (LT4, 25)), (last, (LT4, "12.5")))) == many


@pytest.mark.parametrize(("stop", "many"), [(0, 1), (1, 2), (14, 2), (15, 1)])
def test_no_prescription_reaches_past_the_next_draw_or_decision_into_a_later_step(stop, many):
    assert len(prescribed((14, (LT4, 25)), (14, (LT4, "12.5")), stops=[stop])) == many


def test_a_step_is_never_cut_in_two():
    assert prescribed((120, (LT4, 50)), stops=[60]) == [(LT4.id, 50, 0, 119, 134, 134)]


def test_half_a_tablet_handed_out_is_a_whole_one():
    assert prescribed((1, (LT4, "12.5")), supply=replace(SUPPLY, reserve_days=0))[0][4] == 1
    assert prescribed((13, (LT4, "12.5")))[0][4] == 14  # 6 1/2 and 7 in reserve


def test_what_goes_on_as_taken_needs_no_prescription():
    as_taken = LineDose(LT4, Fraction(100), SwitchPart.OLD, None)
    assert prescriptions(courses([Step(Stage.CLIMB, 0, 13, (as_taken,))]), SUPPLY, ()) == ()


def test_the_draws_of_a_plan_are_its_days_and_their_repeats():
    labs = (LabDraw(42, "checkpoint", ""), LabDraw(91, "maintenance", "", None, (182, 365)))
    assert draws(labs) == (42, 91, 182, 365)
