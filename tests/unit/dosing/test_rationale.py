"""Why a plan is what it is: the arithmetic, the inputs and the sources that are given."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import LT4, plan, regimen

from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.dosing.wording import dose_words, number

PLAN = plan(regimen(lt4=100), Target.DESICCATED_THYROID)


def said(planned, start):
    (statement,) = [s for s in planned.rationale if s.title.startswith(start)]
    return statement


@pytest.mark.parametrize(
    ("value", "printed"),
    [
        (Fraction(65, 4), "16.25"),
        (Fraction(65, 8), "8.125"),
        (Fraction(100), "100"),
        (Fraction(1, 3), "0.333"),
        (Fraction(0), "0"),
        (-0.0001, "0"),
        (1e-9, "0"),
        (0.7506, "0.751"),
    ],
)
def test_a_number_is_exact_where_short_and_else_to_three_decimals(value, printed):
    assert number(value) == printed


def test_a_dose_is_worded_in_the_trades_currencies():
    assert dose_words(TargetDose(grains=Fraction(1))) == "desiccated 1 grain"
    both = TargetDose(lt3_ug=Fraction(5), grains=Fraction(3, 2))
    assert dose_words(both) == "desiccated 1.5 grains + LT3 5 µg"
    assert dose_words(TargetDose()) == "nothing"


def test_what_is_taken_is_stated_with_its_hormone():
    statement = said(plan(regimen(mg65=130), Target.LEVOTHYROXINE), "Taken now")
    assert "130 mg = 2 grain(s) a day, which holds 76 µg T4 and 18 µg T3" in statement.arithmetic


def test_a_weekly_pattern_is_averaged_in_sight():
    week = Regimen((DoseLine(LT4, (Fraction(100),) * 5 + (Fraction(50),) * 2),))
    statement = said(plan(week, Target.DESICCATED_THYROID), "Taken now")
    assert "(100 + 100 + 100 + 100 + 100 + 50 + 50) / 7 days = 85.714 µg" in statement.arithmetic


@pytest.mark.parametrize(
    ("basis_id", "arithmetic"),
    [
        ("practice", "50 µg LT4 + 1.5 grain(s) × 50 + 5 µg LT3 × 2 = 135 µg LT4"),
        ("label", "50 µg LT4 + 1.5 grain(s) × 100 + 5 µg LT3 × 4 = 220 µg LT4"),
        ("content", "50 µg LT4 + 1.5 grain(s) × 67.7 + 5 µg LT3 × 3.3 = 168.05 µg LT4"),
    ],
)
def test_each_basis_shows_its_sum(basis_id, arithmetic):
    planned = plan(regimen(lt4=50, mg60=90, lt3=5), Target.LEVOTHYROXINE)
    assert said(planned, f"On the basis “{basis_id}”").arithmetic == arithmetic


def test_each_basis_names_its_source_and_grade():
    for row in PLAN.comparison:
        statement = said(PLAN, f"On the basis “{row.basis_id}”")
        assert statement.source == f"{row.source} [{row.grade}]"
        assert ("steers nothing" in statement.title) is (not row.sets_checkpoint)


def test_every_statement_on_the_regimen_names_where_it_was_read():
    lines = tuple(replace(line, origin="Bundle.entry[1]") for line in regimen(lt4=100))
    planned = plan(Regimen(lines), Target.DESICCATED_THYROID)
    assert said(planned, "Taken now").inputs == ("Bundle.entry[1]",)
    assert said(planned, "On the basis “label”").inputs == ("Bundle.entry[1]",)
    assert said(planned, "The target on the chosen basis").inputs == ("Bundle.entry[1]",)


def test_the_spread_between_the_bases_is_stated():
    statement = said(PLAN, "The target on the chosen basis “practice” is desiccated 2 grains")
    assert "disagree by a factor of 2: from desiccated 1 grain to desiccated 2 grains" in (
        statement.arithmetic
    )


def test_the_checkpoint_names_every_rung():
    statement = said(PLAN, "The climb waits for labs at desiccated 1 grain, the target of “label”")
    for rung in PLAN.checkpoint.ladder:
        assert f"“{rung.basis_id}” {dose_words(rung.target)}" in statement.arithmetic


def test_a_climb_is_stated_with_its_pace_and_no_climb_as_such():
    statement = said(PLAN, "Swallowed T3 rises from 0 to 9 µg")
    assert "by 15 mg every 14 days" in statement.arithmetic
    none = said(plan(regimen(mg60=120), Target.LEVOTHYROXINE), "Swallowed T3 does not rise")
    assert "18 µg before, 0 µg at the checkpoint" in none.arithmetic


@pytest.mark.parametrize("mode", PriorTherapy)
def test_what_was_not_chosen_is_stated_with_its_lowest_coverage(mode):
    planned = plan(regimen(lt4=150), Target.DESICCATED_THYROID, prior_therapy=mode)
    own, other = planned.forecasts
    statement = said(planned, f"Prior therapy: {mode}")
    assert f"Lowest coverage {number(own.lowest.lowest.value)}" in statement.title
    assert f"with {other.prior_therapy} it would be {number(other.lowest.lowest.value)}" in (
        statement.title
    )


def test_each_branch_is_stated_with_the_dose_that_it_leads_to():
    for branch in PLAN.checkpoint.branches:
        last = branch.steps[-1]
        statement = said(PLAN, branch.statement)
        assert f"from day {last.first_day}" in statement.arithmetic
        assert all(line.preparation.name in statement.arithmetic for line in last.lines)
        assert f"“{branch.basis_id}”" in statement.source


def test_the_model_states_its_assumptions_and_where_its_parameters_come_from():
    statement = said(PLAN, "The model assumes no residual gland")
    assert "half-lives T4 7 d, T3 1 d" in statement.arithmetic
    assert "Surks" in statement.source


def test_a_pool_that_was_none_is_stated_in_micrograms():
    statement = said(plan(regimen(lt3=50), Target.LEVOTHYROXINE), "Forecast with overlap")
    assert "T4 pool from nothing to" in statement.arithmetic
    # 100 µg a day, 0.75 absorbed, 10.1 days' residence
    assert "µg" in statement.arithmetic.split("T4 pool from nothing to")[1]


def test_content_by_mg_is_shown_as_a_sensitivity_only_where_desiccated_thyroid_is_met():
    start = "A labelled grain is counted the same in both strength families"
    assert "8 %" in said(PLAN, start).arithmetic
    without = plan(regimen(lt4=100), Target.LIOTHYRONINE).rationale
    assert not [s for s in without if s.title.startswith(start)]
