"""Which results of the record stand as the baseline, and when the first new dose waits."""

from fractions import Fraction

import pytest
from tests.unit.dosing.switches import plan as plan_of
from tests.unit.dosing.switches import regimen
from tests.unit.safety.patients import RULES, TO_DESICCATED, known, patient, pulse, tsh

from crossgrain.dosing.targets import Target
from crossgrain.safety.assess import before_plan
from crossgrain.safety.checks import Baseline, baseline_of, with_baseline
from crossgrain.safety.facts import Analyte, Measurement

PLAN = plan_of(regimen(lt4=100), Target.DESICCATED_THYROID)


def free(analyte, day=-20):
    return Measurement(analyte, Fraction(15), day, f"Observation/{analyte}")


def baseline(*results, starts_in=0, **changes):
    facts = patient(measurements=(*results, pulse(70)), **changes)
    return baseline_of(facts, before_plan(facts, TO_DESICCATED, RULES), RULES, starts_in)


def stands(*results, **more):
    return {known_one.analyte for known_one in baseline(*results, **more).stands}


@pytest.mark.parametrize(("day", "starts_in", "there"), [
    (-27, 0, True), (-28, 0, True), (-29, 0, False), (-28, 1, False), (-20, 8, True), (1, 0, False),
])  # fmt: skip
def test_a_result_of_four_weeks_before_day_one_stands(day, starts_in, there):
    assert (Analyte.TSH in stands(tsh("2", day), starts_in=starts_in)) is there


@pytest.mark.parametrize(("changed", "there"), [(61, False), (62, True), (None, True)])
def test_it_stands_only_if_it_was_drawn_six_weeks_after_the_last_change(changed, there):
    # 6 weeks: American Thyroid Association 2014, 4-8 (from memory)
    found = stands(tsh("2", -20), regimen_changed_days_ago=changed)
    assert (Analyte.TSH in found) is there


def test_a_preliminary_an_undated_and_a_contradicted_result_do_not_stand():
    assert not stands(tsh("2", -5, preliminary=True))
    assert not stands(tsh("2", None))
    assert not stands(tsh("2", -5), tsh("9", -5))
    assert stands(tsh("2", -5), tsh("2", -5)) == {Analyte.TSH}


@pytest.mark.parametrize(("sign", "value", "there"), [
    ("<", "4", False), (">", "2", False), ("<=", "0.4", False),  # it may be low, in range or high
    ("<", "0.4", True), ("<", "0.01", True), (">", "4", True), (">", "100", True),
])  # fmt: skip
def test_a_result_that_may_lie_on_either_side_of_a_limit_does_not_stand(sign, value, there):
    found = baseline(tsh(value, -5, comparator=sign))
    assert bool(found.stands) is there
    assert ("not-checked-recent-tsh" in found.awaited_by) is not there


@pytest.mark.parametrize(("high", "there"), [(None, False), (Fraction(5), True)])
def test_free_t4_beyond_what_is_measured_stands_where_the_laboratory_gives_its_range(high, there):
    free_t4 = Measurement(Analyte.FREE_T4, Fraction(100), -5, "", high=high, comparator=">")
    assert (Analyte.FREE_T4 in stands(free_t4)) is there


def test_the_newest_counts():
    (found,) = baseline(tsh("9", -27), tsh("2", -5)).stands
    assert found.day == -5


def test_on_biotin_or_after_another_hormone_ended_nothing_stands_and_the_rest_is_awaited():
    for changes in (
        {"medicines": known("biotin")},
        {"stopped": known("liothyronine", day=-10)},
    ):
        found = baseline(tsh("2", -5), free(Analyte.FREE_T4, -5), **changes)
        assert not found.stands
        assert found.awaited_by


def test_without_a_recent_tsh_the_first_dose_waits_and_with_enough_it_does_not():
    assert baseline(tsh("2", -91)).awaited_by == ("not-checked-recent-tsh",)
    enough = baseline(tsh("2", -5), free(Analyte.FREE_T4, -5), medicines=known("amiodarone"))
    assert not enough.awaited_by
    short = baseline(tsh("2", -5), medicines=known("amiodarone"))
    assert short.awaited_by == ("amiodarone",)


def test_what_stands_is_not_drawn_again():
    with_tsh = with_baseline(PLAN, baseline(tsh("2", -5)))
    assert with_tsh.labs[0].leaves_out == ("tsh",)
    assert with_tsh.labs[0].statement == "Free T4 and free T3 before the first changed dose"
    assert with_tsh.labs[1:] == PLAN.labs[1:]


def test_free_t3_alone_is_no_reason_for_a_visit():
    enough = with_baseline(PLAN, baseline(tsh("2", -5), free(Analyte.FREE_T4)))
    assert enough.labs == PLAN.labs[1:]
    without_tsh = with_baseline(PLAN, baseline(free(Analyte.FREE_T4), free(Analyte.FREE_T3)))
    assert without_tsh.labs[0].statement == "TSH before the first changed dose"


def test_where_nothing_stands_the_plan_is_as_it_was():
    assert with_baseline(PLAN, Baseline()) is PLAN
