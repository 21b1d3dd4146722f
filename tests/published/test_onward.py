"""A course under way against published steps and an independent solver."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from tests.unit.dosing.switches import BASES, KINETICS, LT4, amounts, plan, regimen, tables
from tests.unit.dosing.test_onward import on_day, titrated

from crossgrain.dosing.forecast import coverage_weights
from crossgrain.dosing.kinetics import Intake, intake_of
from crossgrain.dosing.moves import total_intake
from crossgrain.dosing.onward import Act, Dated, plan_onward, while_waiting
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.targets import Target

LT4_DOSES = [25, 50, 75, 88, 100, 112, 125, 137, 150, 175, 200]
"""US levothyroxine tablet strengths (secondary)."""


@pytest.mark.parametrize("dose", LT4_DOSES)
@pytest.mark.parametrize("reading", [LabReading.HIGH, LabReading.VERY_HIGH])
def test_lt4_alone_rises_by_12_to_25_micrograms_at_a_visit(dose, reading):
    # levothyroxine label: 12.5-25 micrograms every 4-6 weeks (secondary); 88 to 100 and 100 to 112
    # are such steps in tablets
    taken = titrated(regimen(lt4=dose), Target.LEVOTHYROXINE)
    made = plan_onward(taken, Act.BRANCH, tables(), reading=reading)
    rise = amounts(made.steps[-1])["levothyroxine"] - dose
    # 137 by at least 12 % is 153.4, and the first tablets above it make 162.5
    assert 12 <= rise <= (Fraction("25.5") if dose == 137 else 25)


@pytest.mark.parametrize("dose", LT4_DOSES)
def test_after_a_change_of_lt4_tsh_is_drawn_six_to_eight_weeks_later(dose):
    # levothyroxine label: TSH 6-8 weeks after any change of dose (secondary)
    taken = titrated(regimen(lt4=dose), Target.LEVOTHYROXINE)
    for reading in (LabReading.HIGH, LabReading.LOW, LabReading.VERY_LOW):
        made = plan_onward(taken, Act.BRANCH, tables(), reading=reading)
        if amounts(made.steps[-1]) != {"levothyroxine": Fraction(dose)}:
            assert 42 <= made.checkpoint.lab_day <= 56


@pytest.mark.parametrize("grains", [1, 2, 3])
def test_desiccated_thyroid_alone_is_adjusted_by_a_quarter_to_half_a_grain(grains):
    # common practice: a quarter grain at a time; label: 15 mg every 2-3 weeks (secondary)
    taken = titrated(regimen(mg60=60 * grains), Target.DESICCATED_THYROID)
    made = plan_onward(taken, Act.BRANCH, tables(), reading=LabReading.HIGH)
    mg = [amounts(step)["desiccated-thyroid-60"] for step in made.steps]
    assert mg[0] - 60 * grains == 15
    assert mg[-1] - 60 * grains <= 30


# --- pools from the midst of a course --------------------------------------------------------


def by_runge_kutta(pools: np.ndarray, intake: Intake, days: float) -> np.ndarray:
    """The three pools that coverage weighs, each as the daily dose that sustains it."""
    tau = np.array([KINETICS.t4_half_life_days, *[KINETICS.t3_half_life_days] * 2]) / np.log(2)
    solved = solve_ivp(
        lambda _, now: (np.array(intake) - now) / tau,
        (0.0, days),
        pools,
        method="DOP853",
        rtol=1e-12,
        atol=1e-12,
    )
    assert solved.success
    return solved.y[:, -1]


@pytest.mark.parametrize("falls_on", [None, 1, 9])
@pytest.mark.parametrize("day", [10, 35, 80, 119])
def test_coverage_while_nothing_is_settled_is_the_least_that_scipy_finds(day, falls_on):
    """On today's dose, and where the old medicine is filed to fall to a quarter on a day."""
    before = regimen(lt4=150)
    underway = on_day(plan(before, Target.DESICCATED_THYROID), before, day)
    pools = np.array(intake_of(before))
    for taken in underway.taken:
        days = taken.last_day - taken.first_day + 1
        pools = by_runge_kutta(pools, total_intake(taken.amounts), days)
    today, found = intake_of(underway.today), [pools]
    less = Regimen(
        tuple(
            replace(line, cycle=tuple(dose / 4 for dose in line.cycle))
            if line.preparation.kind is Kind.LEVOTHYROXINE
            else line
            for line in underway.today
        )
    )
    to_come = () if falls_on is None else (Dated.of(falls_on, falls_on, less),)
    for quarter in range(4 * 200):
        fallen = falls_on is not None and quarter >= 4 * falls_on
        taken = intake_of(less) if fallen else today
        found.append(by_runge_kutta(found[-1], taken, 0.25))
    for basis_id, lowest in while_waiting(underway, tables(), to_come).items():
        weights = coverage_weights(BASES[basis_id].weights_at(Fraction(150)), intake_of(before))
        assert lowest == pytest.approx(min(weights.of(Intake(*each)) for each in found), abs=1e-4)


@pytest.mark.parametrize("missed", [0, 5, 14])
@pytest.mark.parametrize("day", [10, 35, 80, 119])
@pytest.mark.parametrize("act", [Act.CONTINUE, Act.HOLD, Act.STEP_BACK, Act.TURN_BACK])
def test_coverage_from_the_midst_of_a_course_is_what_scipy_finds(act, day, missed):
    before, missed = regimen(lt4=150), min(missed, day)
    underway = on_day(plan(before, Target.DESICCATED_THYROID), before, day)
    if missed:  # the last days before today
        taken = [replace(d, last_day=min(d.last_day, -missed - 1)) for d in underway.taken]
        underway = replace(underway, taken=tuple(d for d in taken if d.last_day >= d.first_day))
    made = plan_onward(underway, act, tables())
    pools = np.array(intake_of(before))
    for taken in (*underway.taken, Dated(-missed, -1, ())):
        days = max(taken.last_day - taken.first_day + 1, 0)
        pools = by_runge_kutta(pools, total_intake(taken.amounts), days) if days else pools
    for step in made.steps:
        swallowed = total_intake((line.preparation, line.amount) for line in step.lines)
        pools = by_runge_kutta(pools, swallowed, step.days)
    for covered in made.forecasts[0].coverage:
        weights = BASES[covered.basis_id].weights_at(Fraction(150))
        per_pool = coverage_weights(weights, intake_of(before))
        assert covered.at_end == pytest.approx(float(np.dot(per_pool, pools)), rel=1e-8)


def test_two_missed_weeks_of_lt4_leave_a_quarter_of_its_pool():
    # half-life of T4 6-7 days (label, from memory); 7 here: 14 days are two of them
    before = regimen(lt4=100)
    gone = replace(titrated(before, Target.LEVOTHYROXINE), day_one=-14, taken=())
    made = plan_onward(gone, Act.HOLD, tables())
    (practice,) = [c for c in made.forecasts[0].coverage if c.basis_id == "practice"]
    assert practice.lowest.value == pytest.approx(0.25, abs=1e-9)
    assert practice.lowest.day == 0
    assert LT4.id in amounts(made.steps[0])
