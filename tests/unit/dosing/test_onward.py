"""The visit after the first, act by act."""

from fractions import Fraction

from tests.unit.dosing.switches import amounts, plan, regimen, tables, wish

from crossgrain.dosing.onward import Act, Dated, Underway, plan_onward
from crossgrain.dosing.plan import LabReading, Plan, Stage
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target


def titrated(taken: Regimen, target: Target, **more: object) -> Underway:
    """Where no plan runs."""
    return Underway(taken, wish(target), 0, None, (), taken, (), False, **more)


def on_day(first: Plan, taken: Regimen, day: int) -> Underway:
    """A plan that was followed to the letter until a day of it."""
    steps = tuple(
        Dated(
            step.first_day - day,
            step.last_day - day,
            tuple((line.preparation, line.amount) for line in step.lines),
        )
        for step in first.steps
    )
    today = next((s for s in steps if s.first_day <= 0 <= s.last_day), steps[-1])
    return Underway(
        taken,
        wish(first.target),
        -day,
        first.checkpoint.dose,
        tuple(step for step in steps if step.first_day < 0),
        Regimen(tuple(DoseLine(preparation, (a,)) for preparation, a in today.amounts)),
        steps,
        day < first.checkpoint.day,
    )


# --- titration where no plan runs ------------------------------------------------------------


def test_lt4_100_with_tsh_9_rises_by_one_label_step_and_draws_tsh_six_weeks_later():
    # levothyroxine label: 12.5-25 micrograms every 4-6 weeks (secondary); TSH 6-8 weeks after
    taken = titrated(regimen(lt4=100), Target.LEVOTHYROXINE)
    next_dose = plan_onward(taken, Act.BRANCH, tables(), reading=LabReading.HIGH)
    (step,) = next_dose.steps
    assert step.stage is Stage.HOLD
    assert amounts(step) == {"levothyroxine": Fraction(112)}
    assert 42 <= next_dose.checkpoint.lab_day <= 56
    assert next_dose.checkpoint.decision_day == next_dose.checkpoint.lab_day + 7


def test_a_dose_whose_first_labs_are_in_range_stays_and_is_drawn_once_more_within_eight_weeks():
    taken = titrated(regimen(lt4=100), Target.LEVOTHYROXINE)
    once = plan_onward(taken, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    assert amounts(once.steps[0]) == {"levothyroxine": Fraction(100)}
    assert once.checkpoint.lab_day == 49  # eight weeks after the draw a week ago
    assert not once.prescriptions


def test_a_dose_that_was_in_range_twice_is_drawn_after_3_6_and_12_months():
    # ATA 2014: 3-6-monthly, then yearly (from memory)
    taken = titrated(regimen(lt4=100), Target.LEVOTHYROXINE, in_range_before=True)
    twice = plan_onward(taken, Act.BRANCH, tables(), reading=LabReading.IN_RANGE)
    assert twice.checkpoint.lab_day == 91 - 7
    (after,) = [b for b in twice.checkpoint.branches if b.reading is LabReading.IN_RANGE]
    (draw,) = after.labs
    since = twice.checkpoint.lab_day
    assert (draw.purpose, draw.day - since) == ("maintenance", 91)
    assert [day - since for day in draw.repeat_days] == [274]  # a year after the second


# --- the checkpoint's branch -----------------------------------------------------------------


def test_a_branch_taken_on_its_day_leads_where_the_first_plan_said():
    taken = regimen(lt4=150)
    first = plan(taken, Target.DESICCATED_THYROID)
    decision = first.checkpoint.decision_day
    underway = on_day(first, taken, decision)
    for branch in first.checkpoint.branches:
        again = plan_onward(underway, Act.BRANCH, tables(), reading=branch.reading)
        told = [(s.first_day - decision, amounts(s)) for s in branch.steps]
        assert [(s.first_day, amounts(s)) for s in again.steps] == told
