"""What follows the checkpoint: TSH high, in range, low or too fast."""

from fractions import Fraction
from itertools import pairwise
from math import exp

import pytest
from tests.unit.dosing.switches import (
    BASES,
    CATALOGUE,
    GRAIN_60,
    KINETICS,
    LT3,
    LT4,
    PREPARATIONS,
    amounts,
    plan,
    regimen,
    swallowed,
)

from crossgrain.dosing import planner
from crossgrain.dosing.branches import outlines
from crossgrain.dosing.plan import LabReading, PriorTherapy
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target

STOP = PriorTherapy.STOP


def to_desiccated():
    """From 100 µg LT4 to desiccated thyroid."""
    return plan(regimen(lt4=100), Target.DESICCATED_THYROID)


def to_lt4():
    """From two grains to LT4."""
    return plan(regimen(mg60=120), Target.LEVOTHYROXINE)


def branch(planned, reading):
    (found,) = [b for b in planned.checkpoint.branches if b.reading is reading]
    return found


def coverage(taken, basis_id, daily):
    now = Regimen(tuple(DoseLine(PREPARATIONS[key], (amount,)) for key, amount in daily.items()))
    return BASES[basis_id].lt4_equivalent(now) / BASES[basis_id].lt4_equivalent(taken)


def test_the_branches_are_high_then_in_range_then_low():
    for planned in (to_desiccated(), to_lt4()):
        readings = [b.reading for b in planned.checkpoint.branches]
        assert readings == [LabReading.HIGH, LabReading.IN_RANGE, LabReading.LOW]


def test_each_branch_says_what_to_do_and_leaves_to_its_condition_which_result_it_belongs_to():
    high, stay, low = (b.statement for b in to_lt4().checkpoint.branches)
    assert high == (
        "The dose is short, as the basis “content” says. Go on to the next basis' target, then"
        " repeat the labs."
    )
    assert stay == (
        "Stay at this level. What is left of the old medicine ends, and the new one makes up for it"
        " at equal coverage on the basis “content”, which these labs support best;"
        " then repeat the labs."
    )
    assert low == (
        "Do not climb. Step back and repeat the labs; urgent symptoms are the prescriber's at once."
    )


def test_a_draw_after_a_branch_is_called_early_only_where_the_model_says_so():
    for planned in (to_desiccated(), to_lt4()):
        draws = [draw for way in planned.checkpoint.branches for draw in way.labs]
        assert draws
        for draw in draws:
            assert ("not before" in draw.statement) is (draw.modelled_steady_day > draw.day)


def test_no_branch_calls_the_pools_steady_before_its_last_dose():
    for planned in (to_desiccated(), to_lt4()):
        for way in planned.checkpoint.branches:
            assert all(draw.modelled_steady_day >= way.steps[-1].first_day for draw in way.labs)


# --- high -----------------------------------------------------------------------------------


def test_after_a_high_tsh_the_next_basis_target_is_reached():
    # one grain is the target of label and, on the grid, of trial; content's is 1.48 grains
    stopped = plan(regimen(lt4=100), Target.DESICCATED_THYROID, prior_therapy=STOP)
    high = branch(stopped, LabReading.HIGH)
    assert amounts(high.steps[-1]) == {GRAIN_60.id: 75}
    assert "The dose is short" in high.statement


def test_a_move_to_lt4_on_a_low_chart_has_its_upward_branch_too():
    stopped = plan(regimen(mg60=120), Target.LEVOTHYROXINE, prior_therapy=STOP)
    assert amounts(stopped.steps[-1]) == {LT4.id: 100}
    assert amounts(branch(stopped, LabReading.HIGH).steps[-1]) == {LT4.id: 125}


@pytest.mark.parametrize(("mg", "raised"), [(60, "62.5"), (120, 125), (300, 275)])
def test_lt4_rises_to_the_next_target_but_by_25_ug_at_most(mg, raised):
    # next targets: content 67.7, 135.4 and 338.5 µg; from 50, 100 and 250
    stopped = plan(regimen(mg60=mg), Target.LEVOTHYROXINE, prior_therapy=STOP)
    assert amounts(branch(stopped, LabReading.HIGH).steps[-1]) == {LT4.id: Fraction(raised)}


def test_t3_climbs_in_a_branch_as_it_does_before():
    stopped = plan(regimen(lt4=200), Target.LIOTHYRONINE, prior_therapy=STOP)
    high = branch(stopped, LabReading.HIGH)
    doses = [amounts(step)[LT3.id] for step in high.steps]
    assert doses == [55, 60]  # label 50, then content 60.6
    assert [step.first_day - high.steps[0].first_day for step in high.steps] == [0, 14]


@pytest.mark.parametrize(
    ("way", "taken"), [(to_desiccated, regimen(lt4=100)), (to_lt4, regimen(mg60=120))]
)
def test_a_short_dose_is_named_so_only_by_a_basis_that_calls_it_short(way, taken):
    planned = way()
    high, hold = branch(planned, LabReading.HIGH), amounts(planned.steps[-1])
    assert f"“{high.basis_id}”" in high.statement
    assert coverage(taken, high.basis_id, hold) < 1


def test_where_every_basis_calls_the_dose_enough_that_is_said_and_one_increment_added():
    # 12.5 µg LT4: the smallest step, 15 mg, is 12.5 µg on practice and more on the others
    planned = plan(regimen(lt4="12.5"), Target.DESICCATED_THYROID, prior_therapy=STOP)
    high = branch(planned, LabReading.HIGH)
    assert "every basis in use calls this dose enough" in high.statement
    assert amounts(high.steps[-1]) == {GRAIN_60.id: 30}


@pytest.mark.parametrize(
    ("taken", "target", "mode"),
    [
        (regimen(mg60=60), Target.DESICCATED_LT3, PriorTherapy.OVERLAP),  # below 1 on all four
        (regimen(lt4=20), Target.DESICCATED_THYROID, STOP),  # 0.63 on practice
    ],
)
def test_the_dose_is_called_enough_only_where_every_basis_does(taken, target, mode):
    planned = plan(taken, target, prior_therapy=mode)
    hold = amounts(planned.steps[-1])
    short = [r.basis_id for r in planned.checkpoint.ladder if coverage(taken, r.basis_id, hold) < 1]
    assert short
    assert "every basis in use calls" not in branch(planned, LabReading.HIGH).statement


def test_after_a_high_tsh_a_dose_that_is_only_rearranged_is_not_called_more():
    # on practice 15 mg more and 12.5 µg LT4 less are the same dose, but for the last float
    grain = DoseLine(GRAIN_60, (Fraction(30),) * 5 + (Fraction(15),) * 2)
    taken = Regimen((*regimen(lt4=25, lt3="7.5"), grain))
    planned = plan(taken, Target.DESICCATED_THYROID)
    high, hold = branch(planned, LabReading.HIGH), amounts(planned.steps[-1])
    end = amounts(high.steps[-1])
    assert coverage(taken, high.basis_id, end) > coverage(taken, high.basis_id, hold)


def test_after_a_high_tsh_lt3_held_above_the_checkpoint_may_come_down_as_lt4_goes_up():
    planned = plan(regimen(lt3=75), Target.LT4_LT3)
    hold = amounts(planned.steps[-1])
    end = amounts(branch(planned, LabReading.HIGH).steps[-1])
    assert planned.checkpoint.dose.lt3_ug < end[LT3.id] <= hold[LT3.id]
    assert hold[LT4.id] < end[LT4.id] <= hold[LT4.id] + 25


# --- in range -------------------------------------------------------------------------------


def test_labs_in_range_end_the_remainder_and_make_up_for_it():
    planned = to_desiccated()
    stay = branch(planned, LabReading.IN_RANGE)
    hold, end = amounts(planned.steps[-1]), amounts(stay.steps[-1])
    assert hold[LT4.id] > 0
    assert set(end) == {GRAIN_60.id}
    before = coverage(regimen(lt4=100), stay.basis_id, hold)
    after = coverage(regimen(lt4=100), stay.basis_id, end)
    quarter_grain = coverage(regimen(lt4=100), stay.basis_id, {GRAIN_60.id: Fraction(15)})
    assert abs(after - before) <= quarter_grain / 2


def test_labs_in_range_support_the_basis_that_calls_the_dose_nearest_to_full():
    planned = to_desiccated()
    stay, hold = branch(planned, LabReading.IN_RANGE), amounts(planned.steps[-1])
    nearest = min(
        (rung.basis_id for rung in planned.checkpoint.ladder),
        key=lambda basis_id: abs(float(coverage(regimen(lt4=100), basis_id, hold)) - 1),
    )
    assert stay.basis_id == nearest


def test_without_a_remainder_labs_in_range_change_nothing_until_maintenance():
    stopped = plan(regimen(lt4=100), Target.DESICCATED_THYROID, prior_therapy=STOP)
    stay = branch(stopped, LabReading.IN_RANGE)
    assert [amounts(step) for step in stay.steps] == [amounts(stopped.steps[-1])]
    # The checkpoint's own was the first in range; the second is drawn eight weeks after it.
    assert [(draw.purpose, draw.day) for draw in stay.labs] == [
        ("confirmation", stopped.checkpoint.lab_day + 56),
        ("maintenance", stopped.checkpoint.lab_day + 56 + 91),
    ]


@pytest.mark.parametrize("lt4_ug", [300, 325])
def test_in_a_long_branch_the_old_dose_changes_no_more_often_than_in_a_long_climb(lt4_ug):
    planned = plan(regimen(lt4=lt4_ug), Target.DESICCATED_THYROID, pace_id="cautious")
    stay = branch(planned, LabReading.IN_RANGE)
    most = CATALOGUE.policy.taper.most_changes
    assert len(stay.steps) > most
    old = [amounts(step).get(LT4.id, 0) for step in stay.steps]
    assert sum(later != earlier for earlier, later in pairwise(old)) <= most


# --- low ------------------------------------------------------------------------------------


def test_after_a_low_tsh_the_new_dose_steps_back_by_one_increment():
    stopped = plan(regimen(lt4=100), Target.DESICCATED_THYROID, prior_therapy=STOP)
    assert amounts(branch(stopped, LabReading.LOW).steps[-1]) == {GRAIN_60.id: 45}
    cautious = plan(
        regimen(lt4=100), Target.DESICCATED_THYROID, prior_therapy=STOP, pace_id="cautious"
    )
    # a quarter grain too: half of a 15 mg tablet cannot be ordered, for it is not scored
    assert amounts(branch(cautious, LabReading.LOW).steps[-1]) == {GRAIN_60.id: 45}


def test_after_a_low_tsh_a_combination_steps_back_in_its_lt3():
    stopped = plan(regimen(lt4=150), Target.LT4_LT3, prior_therapy=STOP)
    hold, low = amounts(stopped.steps[-1]), amounts(branch(stopped, LabReading.LOW).steps[-1])
    assert low[LT4.id] == hold[LT4.id]
    assert low.get(LT3.id, 0) < hold[LT3.id]


def test_urgent_symptoms_are_the_prescribers_at_once():
    assert "prescriber's at once" in branch(to_desiccated(), LabReading.LOW).statement


@pytest.mark.parametrize(
    ("taken", "target", "pace"),
    [
        (regimen(lt3=10), Target.LEVOTHYROXINE, "standard"),  # LT4 12.5, then nothing
        (regimen(mg60=15), Target.LEVOTHYROXINE, "standard"),
    ],
)
def test_a_patient_is_never_left_without_any_hormone(taken, target, pace):
    planned = plan(taken, target, pace_id=pace, prior_therapy=STOP)
    for way in planned.checkpoint.branches:
        assert all(step.lines for step in way.steps)


# --- labs -----------------------------------------------------------------------------------


@pytest.mark.parametrize("reading", [LabReading.HIGH, LabReading.LOW])
def test_after_a_changed_dose_labs_follow_in_six_weeks_and_then_maintenance(reading):
    way = branch(to_lt4(), reading)
    settled, second, maintenance = way.labs
    assert settled.day == way.steps[-1].first_day + 42
    assert settled.purpose == "after-branch"
    assert (second.purpose, second.day) == ("confirmation", settled.day + 56)
    assert maintenance.purpose == "maintenance"
    assert maintenance.day == second.day + 91
    assert maintenance.repeat_days == (second.day + 182, second.day + 365)


def test_bloods_are_drawn_before_that_mornings_dose():
    for planned in (to_desiccated(), to_lt4()):
        for way in planned.checkpoint.branches:
            assert all("before that morning's dose" in draw.statement for draw in way.labs)


def test_where_the_smallest_dose_stays_after_a_low_tsh_labs_follow_in_six_weeks():
    planned = plan(regimen(lt3=10), Target.LEVOTHYROXINE, prior_therapy=STOP)
    low = branch(planned, LabReading.LOW)
    assert "No smaller dose can be ordered" in low.statement
    assert low.labs[0].day == low.steps[0].first_day + 42


@pytest.mark.parametrize(
    ("taken", "reading", "said"),
    [
        (regimen(lt4=150), LabReading.LOW, "27.4:1, outside 13:1 to 20:1"),  # LT4 137 + LT3 5
    ],
)
def test_a_combination_outside_the_guidelines_ratio_says_so(taken, reading, said):
    # ETA 2012, Eur Thyroid J 1:55: 13:1 to 20:1
    assert said in branch(plan(taken, Target.LT4_LT3), reading).statement


def test_no_ratio_is_said_of_a_move_to_one_medicine_while_the_old_one_still_ends():
    for taken, target in (
        (regimen(lt4=100), Target.LIOTHYRONINE),
        (regimen(lt3=25), Target.LEVOTHYROXINE),
    ):
        for way in plan(taken, target).checkpoint.branches:
            assert ":1" not in way.statement


def test_a_combination_inside_the_guidelines_ratio_says_nothing_of_it():
    planned = plan(regimen(lt4=100), Target.LT4_LT3)
    hold = amounts(planned.steps[-1])
    assert 13 <= hold[LT4.id] / hold[LT3.id] <= 20
    assert "outside" not in branch(planned, LabReading.IN_RANGE).statement


def test_the_branches_set_out_from_the_pools_of_the_decision_day(monkeypatch):
    seen = []

    def watched(case, hold, ladder):
        seen.append(hold)
        return outlines(case, hold, ladder)

    monkeypatch.setattr(planner, "outlines", watched)
    planned = plan(regimen(lt4=150), Target.DESICCATED_THYROID)
    (hold,) = seen
    assert hold.decision_day == planned.checkpoint.decision_day
    # first-order decay towards what each step sustains, worked out step by step
    t4, desiccated_t3 = 150.0, 0.0
    for step in planned.steps:
        days = min(step.last_day + 1, hold.decision_day) - step.first_day
        sustained = swallowed(amounts(step))
        t4 = sustained.t4_ug + (t4 - sustained.t4_ug) * exp(-days / KINETICS.t4_tau)
        away = desiccated_t3 - sustained.desiccated_t3_ug
        desiccated_t3 = sustained.desiccated_t3_ug + away * exp(-days / KINETICS.t3_tau)
    assert hold.pools.t4 == pytest.approx(t4)
    assert hold.pools.desiccated_t3 == pytest.approx(desiccated_t3)
