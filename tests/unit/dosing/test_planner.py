"""The planner's refusals, its checkpoint, and what a wish changes."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from tests.unit.dosing.switches import (
    CATALOGUE,
    COMBINING,
    GRAIN,
    GRAIN_60,
    GRAIN_65,
    KINETICS,
    LT3,
    LT4,
    SHORT,
    amounts,
    family_of,
    plan,
    regimen,
    stocked,
    tables,
)

from crossgrain.catalogue.charts import clinic_bases_from
from crossgrain.dosing import outlook
from crossgrain.dosing.climb import wait_days
from crossgrain.dosing.kinetics import Kinetics
from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.prior import taper_problem
from crossgrain.dosing.steps import SwitchPart, courses
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError

STOP = PriorTherapy.STOP


def refusal(taken, target, **wanted):
    with pytest.raises(DomainError) as refused:
        plan(taken, target, **wanted)
    return refused.value


def with_chart(**entry):
    """The shipped tables and a clinic's own chart."""
    about = {"id": "ours", "statement": "our chart", "source": "our protocol"}
    own = clinic_bases_from([about | entry], [basis.id for basis in CATALOGUE.bases], GRAIN)
    return tables(bases=(*CATALOGUE.bases, *own))


TABLE = with_chart(
    row=[
        {"lt4_ug": "50", "grains": "1/2", "lt3_ug": "15"},
        {"lt4_ug": "100", "grains": "1", "lt3_ug": "30"},
        {"lt4_ug": "200", "grains": "5/2", "lt3_ug": "55"},
    ]
)

# --- refusals -------------------------------------------------------------------------------


def test_a_basis_for_comparison_only_steers_no_plan():
    error = refusal(regimen(lt4=100), Target.DESICCATED_THYROID, basis_id="ddd")
    assert (error.category, error.field) == (Category.INVALID, "basis")
    assert "comparison only" in error.message


def test_an_unknown_basis_is_refused_by_naming_those_there_are():
    error = refusal(regimen(lt4=100), Target.DESICCATED_THYROID, basis_id="moon")
    assert (error.category, error.field) == (Category.INVALID, "basis")
    assert all(basis.id in error.message for basis in CATALOGUE.bases)


def test_an_unknown_pace_is_refused():
    error = refusal(regimen(lt4=100), Target.DESICCATED_THYROID, pace_id="fast")
    assert (error.category, error.field) == (Category.INVALID, "pace")


@pytest.mark.parametrize(
    ("taken", "target"),
    [
        (regimen(lt4=100), Target.LEVOTHYROXINE),
        (regimen(lt3=25), Target.LIOTHYRONINE),
        (regimen(mg60=60), Target.DESICCATED_THYROID),
        (regimen(mg65=130), Target.DESICCATED_THYROID),
        (regimen(lt4=88), Target.LEVOTHYROXINE),  # off the grid all the same
    ],
)
def test_there_is_nothing_to_switch_where_the_target_is_taken_already(taken, target):
    error = refusal(taken, target)
    assert (error.category, error.field) == (Category.NOTHING_TO_DO, "target")


def test_two_lines_of_the_target_are_still_the_target():
    both = replace(regimen(lt4=88), lines=regimen(lt4=88).lines + regimen(lt4=12).lines)
    assert refusal(both, Target.LEVOTHYROXINE).category is Category.NOTHING_TO_DO


@pytest.mark.parametrize("taken", [regimen(), regimen(lt4=0)])
def test_without_any_hormone_there_is_nothing_to_plan_from(taken):
    error = refusal(taken, Target.LEVOTHYROXINE)
    assert (error.category, error.field) == (Category.INVALID, "regimen")


@pytest.mark.parametrize(
    "family", [stocked(GRAIN_60, 60, scored=False), stocked(GRAIN_60, 30, scored=False)]
)
def test_a_stock_that_cannot_make_the_climb_is_said(family):
    error = refusal(regimen(lt4=100), Target.DESICCATED_THYROID, by=tables(family))
    assert (error.category, error.field) == (Category.OUT_OF_RANGE, "stock")
    assert "no stocked strength" in error.message


def test_a_stock_that_makes_the_climb_by_halves_is_enough():
    planned = plan(regimen(lt4=100), Target.DESICCATED_THYROID, by=tables(stocked(GRAIN_60, 30)))
    for step in planned.steps:
        for line in step.lines:
            if line.preparation.id == GRAIN_60.id:
                assert {piece.strength for piece in line.tablets.pieces} == {30}


@pytest.mark.parametrize("taken", [regimen(mg60=180), regimen(lt4=225), regimen(mg65=195)])
@pytest.mark.parametrize(("scored", "most"), [(False, 5), (True, "2.5")])
def test_a_cautious_climb_of_lt3_takes_half_increments_only_where_5_ug_is_scored(
    taken, scored, most
):
    lt3 = replace(LT3, scored=frozenset({Fraction(5)} if scored else ()))
    by = tables(family_of(taken), lt3=lt3)
    planned = plan(taken, Target.LIOTHYRONINE, pace_id="cautious", by=by)
    doses = [amounts(step)[LT3.id] for step in planned.steps]
    rises = {later - earlier for earlier, later in pairwise([0, *doses]) if later != earlier}
    assert max(rises) <= 5
    assert doses[0] == Fraction(most)
    for branch in planned.checkpoint.branches:
        way = [amounts(step)[LT3.id] for step in (planned.steps[-1], *branch.steps)]
        assert all(later - earlier <= 5 for earlier, later in pairwise(way))


# --- the checkpoint and its ladder ----------------------------------------------------------


@pytest.mark.parametrize(
    ("taken", "target", "order"),
    [
        (regimen(lt4=100), Target.DESICCATED_THYROID, "label trial content practice"),
        (regimen(mg60=120), Target.LEVOTHYROXINE, "practice content trial label"),
        (regimen(lt4=100), Target.LIOTHYRONINE, "label content trial practice"),
        (regimen(lt3=50), Target.LEVOTHYROXINE, "practice trial content label"),
    ],
)
def test_the_ladder_stands_in_climbing_order_and_its_first_rung_is_the_checkpoint(
    taken, target, order
):
    checkpoint = plan(taken, target).checkpoint
    assert [rung.basis_id for rung in checkpoint.ladder] == order.split()
    assert checkpoint.set_by == order.split()[0]
    assert checkpoint.dose == checkpoint.ladder[0].on_grid


@pytest.mark.parametrize(
    ("lt4_ug", "mg"), [("99.9", 45), (100, 60), ("124.9", 60), (125, 75), ("149.9", 75)]
)
def test_the_checkpoint_is_rounded_down_to_a_quarter_grain(lt4_ug, mg):
    # label: a quarter grain for 25 µg
    checkpoint = plan(regimen(lt4=lt4_ug), Target.DESICCATED_THYROID).checkpoint
    assert checkpoint.dose.grains * 60 == mg


@pytest.mark.parametrize("lt4_ug", ["12.5", 20, 25, "24.9"])
def test_the_checkpoint_is_never_below_one_increment(lt4_ug):
    checkpoint = plan(regimen(lt4=lt4_ug), Target.DESICCATED_THYROID).checkpoint
    assert checkpoint.dose.grains * 60 == 15


@pytest.mark.parametrize("basis_id", ["practice", "label", "trial", "content"])
def test_the_checkpoint_does_not_depend_on_the_basis_that_is_chosen(basis_id):
    planned = plan(regimen(lt4=100), Target.DESICCATED_THYROID, basis_id=basis_id)
    assert planned.checkpoint.dose.grains == 1
    assert planned.aim == next(r.target for r in planned.comparison if r.basis_id == basis_id)


def test_the_aim_is_shown_in_orderable_tablets_or_with_its_neighbours():
    near = plan(regimen(lt4=88), Target.DESICCATED_THYROID)  # 1.76 grains, 105.6 mg
    (line,) = near.aim_tablets
    assert line.tablets.amount == line.amount == 105
    fine = COMBINING.mixture(t3_share=Fraction(1, 50))
    far = plan(regimen(lt4=25), Target.DESICCATED_LT3, mixture=fine)  # LT3 0.25 µg
    lt3 = far.aim_tablets[-1]
    assert (lt3.preparation, lt3.amount, lt3.tablets) == (LT3, Fraction(1, 4), None)
    assert lt3.note == "no tablets within 5 %: 5 micrograms"


def test_the_hold_begins_when_the_last_dose_is_reached():
    planned = plan(regimen(lt3=50), Target.LEVOTHYROXINE)
    reached = min(
        step.first_day for step in planned.steps if amounts(step) == amounts(planned.steps[-1])
    )
    assert planned.checkpoint.day == reached


@pytest.mark.parametrize("taken", [regimen(lt3=50), regimen(lt4=100, lt3=25)])
def test_what_an_overlap_holds_above_the_checkpoints_dose_is_named_beside_it(taken):
    checkpoint = plan(taken, Target.LT4_LT3).checkpoint
    assert checkpoint.held_above
    assert checkpoint.held.lt3_ug > checkpoint.dose.lt3_ug
    stopped = plan(taken, Target.LT4_LT3, prior_therapy=STOP).checkpoint
    assert not stopped.held_above
    assert stopped.held == stopped.dose


# --- labs and forecasts ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("half_life", "put_off"), [(7.0, False), (8.5, False), (9.0, True), (10.0, True)]
)
def test_labs_are_put_off_until_the_model_calls_the_pools_steady(half_life, put_off):
    slow = replace(CATALOGUE.kinetics, default=Kinetics(half_life, 2.4, 0.75, 0.95, 0.35))
    by = replace(tables(), kinetics=slow)
    # one step, on day 0; the T3 that was made from T4 is the last to go
    planned = plan(regimen(lt4=25), Target.LIOTHYRONINE, by=by, prior_therapy=STOP)
    steady_from, drawn = planned.forecasts[0].steady_day, planned.labs[-1]
    assert drawn.day == planned.checkpoint.lab_day
    assert (drawn.day > wait_days(slow.default, CATALOGUE.policy)) is put_off
    assert ("put off until the model calls the pools steady" in drawn.statement) is put_off
    assert (drawn.day == steady_from) is put_off
    assert drawn.modelled_steady_day == steady_from
    assert planned.checkpoint.decision_day == drawn.day + 7
    assert planned.steps[-1].last_day == planned.checkpoint.decision_day - 1


@pytest.mark.parametrize("half_life", [7.0, 10.0])
@pytest.mark.parametrize(
    ("taken", "target"),
    [
        (regimen(lt4=25), Target.LIOTHYRONINE),
        (regimen(lt4=100), Target.DESICCATED_THYROID),
        (regimen(lt3=50), Target.LEVOTHYROXINE),
    ],
)
def test_the_hold_lasts_until_the_decision_a_week_after_the_draw(half_life, taken, target):
    slow = replace(CATALOGUE.kinetics, default=Kinetics(half_life, 2.4, 0.75, 0.95, 0.35))
    planned = plan(taken, target, by=replace(tables(), kinetics=slow))
    checkpoint, hold = planned.checkpoint, planned.steps[-1]
    assert checkpoint.decision_day == checkpoint.lab_day + 7
    assert hold.last_day == checkpoint.decision_day - 1
    assert hold.first_day == checkpoint.day


def test_t3_exposure_ends_between_its_extremes():
    for forecast in plan(regimen(lt4=100), Target.DESICCATED_THYROID).forecasts:
        low, high = forecast.t3_exposure
        assert low.value <= forecast.t3_exposure_at_end <= high.value


def test_the_baseline_is_drawn_before_the_first_changed_dose():
    baseline = plan(regimen(lt4=100), Target.DESICCATED_THYROID).labs[0]
    assert (baseline.day, baseline.purpose) == (0, "baseline")
    assert baseline.statement == "TSH, free T4 and free T3 before the first changed dose"


def test_both_modes_are_followed_to_the_same_day():
    # LT4 100 µg from day 0 either way; stopping would be decided on day 49, an overlap later
    planned = plan(regimen(lt3=50), Target.LEVOTHYROXINE)
    overlap, stop = planned.forecasts
    assert planned.checkpoint.decision_day > 49
    full = 100 * KINETICS.t4_absorbed * KINETICS.t4_tau
    weeks = planned.checkpoint.decision_day / 7
    assert overlap.t4_pool_end_ug == pytest.approx(full * (1 - 0.5**weeks))
    assert stop.t4_pool_end_ug == pytest.approx(overlap.t4_pool_end_ug)


@pytest.mark.parametrize(
    ("taken", "target", "pace"),
    [
        # in these the default parameters, not a corner of their band, make the extreme
        (regimen(mg60=120), Target.LEVOTHYROXINE, "standard"),
        (regimen(lt4=100, lt3=10), Target.DESICCATED_THYROID, "cautious"),
    ],
)
def test_a_band_holds_the_value_that_it_is_drawn_around(taken, target, pace):
    own, _ = plan(taken, target, pace_id=pace).forecasts
    low, high = own.band.lowest_coverage
    assert low <= own.lowest.lowest.value <= high
    low, high = own.band.highest_t3_exposure
    assert low <= own.t3_exposure[1].value <= high


# --- shared and old medicines ---------------------------------------------------------------


def test_a_medicine_in_both_regimens_is_one_line_that_changes_dose():
    planned = plan(regimen(lt4=100), Target.LT4_LT3)
    merged = [c for c in courses(planned.steps) if c.line.preparation == LT4]
    assert {c.line.part for c in merged} == {SwitchPart.SHARED}
    assert merged[0].first_day == 0
    assert merged[-1].last_day == planned.steps[-1].last_day


def test_an_old_dose_that_no_tablets_make_goes_on_as_taken_until_its_first_change():
    odd = Fraction("162.3")
    planned = plan(regimen(lt4=odd), Target.LIOTHYRONINE)
    lines = [line for step in planned.steps for line in step.lines if line.preparation == LT4]
    as_taken = [line.tablets is None for line in lines]
    assert as_taken == [line.amount == odd for line in lines]
    assert as_taken[0]
    assert not as_taken[-1]


def test_the_chosen_prior_therapy_comes_first_and_the_other_is_forecast_beside_it():
    for mode in PriorTherapy:
        planned = plan(regimen(lt4=100), Target.DESICCATED_THYROID, prior_therapy=mode)
        own, other = planned.forecasts
        assert (own.prior_therapy, other.prior_therapy) == (mode, *set(PriorTherapy) - {mode})
        assert own.band is not None
        assert other.band is None


def test_both_strength_families_give_the_same_plan_in_grains():
    in_60 = plan(regimen(lt4=150), Target.DESICCATED_THYROID)
    in_65 = plan(regimen(lt4=150), Target.DESICCATED_THYROID, by=tables(GRAIN_65))
    assert [s.first_day for s in in_60.steps] == [s.first_day for s in in_65.steps]
    assert in_60.checkpoint.dose == in_65.checkpoint.dose
    grains_60 = [amounts(s)[GRAIN_60.id] / 60 for s in in_60.steps]
    assert grains_60 == [amounts(s)[GRAIN_65.id] / 65 for s in in_65.steps]


# --- pregnancy ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mg", "lt4_ug"), [(60, 100), (120, 200), (90, 150), ("67.5", "112.5"), (55, "275/3")]
)
def test_at_least_the_most_generous_sourced_target_of_lt4_is_rounded_up_to_tablets(mg, lt4_ug):
    # label: LT4 100 µg a grain, the largest of the sourced charts (label, trial)
    planned = plan(regimen(mg60=mg), Target.LEVOTHYROXINE, lt4_at_least_most_generous=True)
    assert planned.checkpoint.set_by == "label"
    assert planned.checkpoint.dose.lt4_ug >= Fraction(lt4_ug)
    assert planned.checkpoint.dose.lt4_ug - Fraction(lt4_ug) <= LT4.increment
    assert {amounts(step)[LT4.id] for step in planned.steps} == {planned.checkpoint.dose.lt4_ug}


def test_a_stock_that_does_not_reach_the_generous_target_is_said():
    # four tablets of 25 µg make 100; label: two grains = LT4 200 µg
    error = refusal(
        regimen(mg60=120),
        Target.LEVOTHYROXINE,
        lt4_at_least_most_generous=True,
        by=tables(lt4=stocked(LT4, 25)),
    )
    assert (error.category, error.field) == (Category.OUT_OF_RANGE, "stock")
    assert error.message == "no tablets reach the target of LT4"


def test_a_clinics_own_generous_chart_does_not_count_as_sourced():
    by = with_chart(lt4_ug_per_grain="120", lt4_ug_per_lt3_ug="5")
    planned = plan(regimen(mg60=60), Target.LEVOTHYROXINE, by=by, lt4_at_least_most_generous=True)
    assert planned.checkpoint.ladder[-1].basis_id == "ours"
    assert (planned.checkpoint.set_by, planned.checkpoint.dose.lt4_ug) == ("label", 100)


def test_only_a_move_to_lt4_is_raised_so():
    usual = plan(regimen(lt4=100), Target.DESICCATED_THYROID)
    raised = plan(regimen(lt4=100), Target.DESICCATED_THYROID, lt4_at_least_most_generous=True)
    assert raised.checkpoint.dose == usual.checkpoint.dose


def test_a_dose_raised_in_pregnancy_is_not_called_the_smallest_target():
    planned = plan(regimen(mg60=120), Target.LEVOTHYROXINE, lt4_at_least_most_generous=True)
    (said,) = [s for s in planned.rationale if s.title.startswith("The climb waits")]
    assert "smallest" not in said.source


EXPECTING = {
    "lt4_at_least_most_generous": True,
    "too_little_weighs": True,
    "tsh_every_days": 28,
}
WITH_T3 = [
    {"mg60": 30}, {"mg60": 120}, {"mg65": 130}, {"lt3": 25}, {"lt3": 75},
    {"lt4": 100, "lt3": 10}, {"mg60": 60, "lt3": 10}, {"mg60": 60, "lt4": 50},
]  # fmt: skip


@pytest.mark.parametrize("taken", WITH_T3, ids=str)
def test_in_pregnancy_no_old_medicine_ends_before_lt4_has_built_up_and_none_is_left_after(taken):
    # four half-lives of T4 (the policy's window); T3 is not for pregnancy (ATA 2017)
    planned = plan(regimen(**taken), Target.LEVOTHYROXINE, **EXPECTING)
    ends = {step.first_day: set(amounts(step)) for step in planned.steps}
    before = {key for day in ends if day < 28 for key in ends[day]}
    assert all(ends[day] == before for day in ends if day < 28)
    assert before == {LT4.id, *(SHORT[short].id for short in taken)}
    assert all(ends[day] == {LT4.id} for day in ends if day >= 28)
    assert planned.checkpoint.day == 28


@pytest.mark.parametrize("taken", WITH_T3, ids=str)
@pytest.mark.parametrize("prior_therapy", [PriorTherapy.OVERLAP, STOP])
def test_in_pregnancy_lt4_is_at_its_whole_dose_from_day_one(taken, prior_therapy):
    planned = plan(regimen(**taken), Target.LEVOTHYROXINE, prior_therapy=prior_therapy, **EXPECTING)
    sourced = [rung for rung in planned.checkpoint.ladder if rung.basis_id in {"label", "trial"}]
    most = max(rung.target.lt4_ug for rung in sourced)
    assert planned.checkpoint.dose.lt4_ug >= most
    assert all(amounts(s)[LT4.id] == planned.checkpoint.dose.lt4_ug for s in planned.steps)


def test_in_pregnancy_lt4_is_a_dose_that_is_written_anyhow():
    # 140 µg on label: 150, not half of 137 with three quarters of 100
    planned = plan(regimen(lt4=100, lt3=10), Target.LEVOTHYROXINE, **EXPECTING)
    assert planned.checkpoint.dose.lt4_ug == 150


def test_outside_pregnancy_some_of_the_old_medicine_may_be_left_at_the_hold():
    planned = plan(regimen(mg60=120), Target.LEVOTHYROXINE)
    assert amounts(planned.steps[-1])[GRAIN_60.id] == 30


@pytest.mark.parametrize("taken", WITH_T3, ids=str)
def test_in_pregnancy_tsh_is_drawn_every_four_weeks_in_every_branch(taken):
    # ATA 2017 pregnancy guideline, quick reference
    planned = plan(regimen(**taken), Target.LEVOTHYROXINE, **EXPECTING)
    until = [draw.day for draw in planned.labs]
    for way in planned.checkpoint.branches:
        days = [*until, *(day for d in way.labs for day in (d.day, *d.repeat_days))]
        assert all(later - earlier <= 28 for earlier, later in pairwise(days))


# --- a clinic's charts ----------------------------------------------------------------------


def test_a_clinics_proportional_chart_steers_and_sets_a_checkpoint():
    by = with_chart(lt4_ug_per_grain="125", lt4_ug_per_lt3_ug="5")
    planned = plan(regimen(lt4=100), Target.DESICCATED_THYROID, by=by, basis_id="ours")
    assert planned.checkpoint.set_by == "ours"
    assert planned.aim.grains == Fraction(4, 5)
    assert planned.checkpoint.dose.grains == Fraction(3, 4)
    assert [c.secant for c in planned.forecasts[0].coverage] == [False] * 5


def test_a_table_charts_coverage_is_marked_as_its_straight_line():
    planned = plan(regimen(lt4=150), Target.DESICCATED_THYROID, by=TABLE, basis_id="ours")
    assert planned.aim.grains == Fraction(7, 4)
    marked = {c.basis_id for c in planned.forecasts[0].coverage if c.secant}
    assert marked == {"ours"}
    (worth,) = [s for s in planned.rationale if "“ours” that is" in s.title]
    assert "straight line" in worth.arithmetic


@pytest.mark.parametrize(
    ("lt4_ug", "reached"), [("49.9", False), (50, True), (200, True), ("200.1", False)]
)
def test_a_table_chart_is_refused_outside_its_rows(lt4_ug, reached):
    if reached:
        planned = plan(regimen(lt4=lt4_ug), Target.DESICCATED_THYROID, by=TABLE, basis_id="ours")
        assert planned.aim.grains in {Fraction(1, 2), Fraction(5, 2)}
        return
    error = refusal(regimen(lt4=lt4_ug), Target.DESICCATED_THYROID, by=TABLE, basis_id="ours")
    assert (error.category, error.field) == (Category.OUT_OF_RANGE, "basis")
    assert "nothing is extrapolated" in error.message


def test_a_table_chart_that_does_not_reach_the_dose_leaves_the_others_to_steer():
    planned = plan(regimen(lt4=25), Target.DESICCATED_THYROID, by=TABLE)
    (row,) = [row for row in planned.comparison if row.basis_id == "ours"]
    assert (row.target, row.lt4_equivalent_ug) == (None, 25)
    assert "nothing is extrapolated" in row.refused
    assert "ours" not in {rung.basis_id for rung in planned.checkpoint.ladder}
    (said,) = [s for s in planned.rationale if "“ours” gives no answer" in s.title]
    assert said.arithmetic == row.refused


def test_a_sum_beyond_a_tables_rows_leaves_the_others_to_steer():
    taken = regimen(lt4=100, mg60=120)  # 266.7 µg on the table, which ends at 200
    planned = plan(taken, Target.LEVOTHYROXINE, by=TABLE, basis_id="practice")
    assert planned.aim.lt4_ug == 200


# --- the sizes of steps ---------------------------------------------------------------------


def test_stopping_reaches_the_checkpoint_at_once_where_there_is_no_climb():
    planned = plan(regimen(mg60=120), Target.LEVOTHYROXINE, prior_therapy=STOP)
    assert [(s.first_day, amounts(s)) for s in planned.steps] == [(0, {LT4.id: 100})]
    assert planned.checkpoint.lab_day == 42
    assert planned.checkpoint.decision_day == 49


def test_lt4_that_replaces_lost_hormone_is_never_slowed():
    for pace in ("standard", "brisk", "cautious"):
        planned = plan(regimen(mg60=120), Target.LEVOTHYROXINE, pace_id=pace)
        assert amounts(planned.steps[0])[LT4.id] == 100


def test_the_taper_is_chosen_until_the_results_of_the_hold_are_in(monkeypatch):
    seen = []

    def watched(kinetics, start, slots, *others):
        seen.append(slots[-1].days)
        return taper_problem(kinetics, start, slots, *others)

    monkeypatch.setattr(outlook, "taper_problem", watched)
    plan(regimen(lt4=150), Target.DESICCATED_THYROID)
    policy = CATALOGUE.policy
    assert seen == [wait_days(KINETICS, policy) + policy.results_days]
