"""When blood is drawn: on the way to the checkpoint, at it, and in the branches after it."""

from dataclasses import replace
from itertools import pairwise

import pytest
from tests.unit.dosing.switches import CATALOGUE, GRAIN_60, regimen, tables
from tests.unit.dosing.switches import plan as plan_of

from crossgrain.dosing.draws import between
from crossgrain.dosing.kinetics import Kinetics
from crossgrain.dosing.plan import LabReading, PriorTherapy
from crossgrain.dosing.targets import Target

STOP = PriorTherapy.STOP
DRAWS = CATALOGUE.policy.draws
EVERY_DAY = range(1, 400)


def days(labs):
    return [draw.day for draw in labs]


def on_the_way(labs):
    return [draw for draw in labs if draw.purpose == "interim"]


def branch(planned, reading):
    return next(way for way in planned.checkpoint.branches if way.reading is reading)


# --- between two draws ----------------------------------------------------------------------


@pytest.mark.parametrize(("last", "drawn"), [(55, 0), (56, 0), (57, 1), (112, 1), (113, 2)])
def test_a_draw_is_added_where_two_would_lie_more_than_eight_weeks_apart(last, drawn):
    assert len(between(0, last, EVERY_DAY, 56, DRAWS)) == drawn


def test_a_draw_lies_as_near_to_an_even_spacing_as_the_days_before_a_step_allow():
    # Day 49 is even; 63 is the nearest that lies 3 to 7 days before a step, and 35 the next.
    assert between(0, 98, (14, 42, 70), 56, DRAWS) == ((35, 42), (63, 70))


@pytest.mark.parametrize(("step", "drawn"), [(52, 49), (56, 49), (51, 48), (57, 50)])
def test_a_draw_lies_from_three_to_seven_days_before_its_step(step, drawn):
    assert between(0, 98, (step,), 56, DRAWS) == ((drawn, step),)


def test_where_no_step_is_in_reach_a_draw_lies_at_the_even_spacing_and_waits_for_none():
    assert between(0, 98, (14,), 56, DRAWS) == ((49, None),)
    assert between(0, 98, (), 28, DRAWS) == ((25, None), (50, None), (74, None))


def test_of_two_steps_in_reach_the_first_is_the_one_that_waits():
    assert between(0, 98, (54, 56), 56, DRAWS) == ((49, 54),)


# --- on the way to the checkpoint -----------------------------------------------------------


def test_a_climb_of_three_months_has_two_draws_on_the_way():
    planned = plan_of(regimen(lt4=150), Target.DESICCATED_THYROID)
    assert days(planned.labs) == [0, 35, 63, 112]
    assert [draw.purpose for draw in planned.labs] == [
        "baseline",
        "interim",
        "interim",
        "checkpoint",
    ]
    assert [draw.read_before for draw in planned.labs] == [None, 42, 70, None]


@pytest.mark.parametrize("pace_id", list(CATALOGUE.policy.paces))
@pytest.mark.parametrize("lt4_ug", [50, 100, 200, 300])
def test_a_draw_on_the_way_says_that_it_raises_nothing_and_is_early_where_it_is(pace_id, lt4_ug):
    planned = plan_of(regimen(lt4=lt4_ug), Target.DESICCATED_THYROID, pace_id=pace_id)
    steady = planned.forecasts[0].steady_day
    for draw in on_the_way(planned.labs):
        assert "it may hold or take back, and raises nothing" in draw.statement
        assert ("not yet steady" in draw.statement) is (draw.day < steady)
        assert draw.modelled_steady_day == steady


def test_a_wait_that_is_put_off_for_long_has_a_draw_in_it():
    slow = replace(CATALOGUE.kinetics, default=Kinetics(20.0, 2.4, 0.75, 0.95, 0.35))
    planned = plan_of(regimen(lt4=25), Target.LIOTHYRONINE, by=replace(tables(), kinetics=slow))
    gaps = [b - a for a, b in pairwise(days(planned.labs))]
    assert planned.checkpoint.lab_day - planned.checkpoint.day > 56
    assert max(gaps) <= 56


# --- an old medicine that ends on day one ---------------------------------------------------


@pytest.mark.parametrize("pace_id", list(CATALOGUE.policy.paces))
def test_where_the_old_medicine_ends_on_day_one_blood_is_drawn_in_the_fourth_week(pace_id):
    planned = plan_of(
        regimen(lt4=150), Target.DESICCATED_THYROID, pace_id=pace_id, prior_therapy=STOP
    )
    fourth = [draw for draw in planned.labs if 21 < draw.day <= 28]
    assert len(fourth) == 1
    assert fourth[0].purpose == "interim"
    assert 3 <= fourth[0].read_before - fourth[0].day <= 7


def test_with_no_step_after_it_that_draw_lies_on_day_28():
    planned = plan_of(regimen(mg60=120), Target.LEVOTHYROXINE, prior_therapy=STOP)
    assert days(planned.labs) == [0, 28, 42]
    assert planned.labs[1].read_before is None


def test_one_product_in_the_place_of_another_needs_no_such_draw():
    planned = plan_of(
        regimen(mg60=120), Target.DESICCATED_THYROID, by=tables(GRAIN_60), another_product=True
    )
    assert planned.exchange
    assert [draw.purpose for draw in planned.labs] == ["baseline", "checkpoint"]


# --- pregnancy ------------------------------------------------------------------------------


@pytest.mark.parametrize("prior_therapy", list(PriorTherapy))
def test_in_pregnancy_blood_is_drawn_every_four_weeks_before_and_after_the_checkpoint(
    prior_therapy,
):
    # American Thyroid Association 2017: about every 4 weeks until mid-gestation
    planned = plan_of(
        regimen(mg60=120),
        Target.LEVOTHYROXINE,
        tsh_every_days=28,
        lt4_at_least_most_generous=True,
        prior_therapy=prior_therapy,
    )
    assert max(b - a for a, b in pairwise(days(planned.labs))) <= 28
    for way in planned.checkpoint.branches:
        every = [day for draw in way.labs for day in (draw.day, *draw.repeat_days)]
        gaps = [b - a for a, b in pairwise([planned.checkpoint.lab_day, *every])]
        assert max(gaps) <= 28
        assert every[-1] - every[0] >= 182
        assert "until the birth" in way.labs[-1].statement


# --- in the branches ------------------------------------------------------------------------


@pytest.mark.parametrize("reading", [LabReading.HIGH, LabReading.LOW])
def test_after_a_changed_dose_two_draws_in_a_row_come_before_maintenance(reading):
    planned = plan_of(regimen(lt4=150), Target.DESICCATED_THYROID)
    after = [
        d for d in branch(planned, reading).labs if d.purpose not in {"interim", "maintenance"}
    ]
    assert [draw.purpose for draw in after] == ["after-branch", "confirmation"]
    assert after[1].day == after[0].day + 56


def test_after_labs_in_range_the_next_draw_is_the_second_in_a_row():
    planned = plan_of(regimen(lt4=150), Target.DESICCATED_THYROID)
    stay = branch(planned, LabReading.IN_RANGE)
    settled = [draw.purpose for draw in stay.labs if draw.purpose != "interim"]
    assert settled == ["after-branch", "maintenance"]


def test_a_climb_in_a_branch_has_its_draws_on_the_way_too():
    planned = plan_of(regimen(lt4=150), Target.LIOTHYRONINE, pace_id="cautious")
    up = branch(planned, LabReading.IN_RANGE)
    drawn = [planned.checkpoint.lab_day, *days(up.labs)]
    assert on_the_way(up.labs)
    assert max(b - a for a, b in pairwise(drawn[:-1])) <= 56
