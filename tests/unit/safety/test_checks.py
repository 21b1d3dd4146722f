"""What findings want measured on the way besides thyroid labs, and on which days."""

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.unit.dosing.switches import plan as plan_of
from tests.unit.dosing.switches import regimen
from tests.unit.safety.patients import (
    CLEAR,
    RULES,
    TO_DESICCATED,
    TO_LT4,
    known,
    patient,
    pulse,
    tsh,
    with_conditions,
)

from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.targets import Target
from crossgrain.safety.assess import after_plan, before_plan
from crossgrain.safety.checks import CheckKind, checks_of

CLIMB = plan_of(regimen(lt4=150), Target.DESICCATED_THYROID, pace_id="cautious")
"""Steps on days 0, 28, 56, ...; the T3 rises at each."""
TO_SYNTHETIC = plan_of(regimen(mg60=120), Target.LEVOTHYROXINE)


def checks(facts, plan=CLIMB, intent=TO_DESICCATED):
    """Kind → days of the series and of each branch."""
    found = (*before_plan(facts, intent, RULES), *after_plan(plan, facts, RULES))
    t3_now = Fraction(0) if plan is CLIMB else Fraction(18)
    return checks_of(found, RULES, plan, t3_now)


def days(facts, kind, part="series", **more):
    return next((c.days for c in checks(facts, **more)[part] if c.kind is kind), ())


def t3_rises(steps, before):
    rises = []
    for step in steps:
        now = sum(line.preparation.t3_ug(line.amount) for line in step.lines)
        if now > before:
            rises.append(step.first_day)
        before = now
    return tuple(rises)


def test_a_clear_patient_needs_no_further_check():
    assert not any(checks(CLEAR).values())


# Desiccated thyroid and liothyronine labels, cardiovascular disease and the elderly: start low,
# watch. Which days: our judgement.
@pytest.mark.parametrize(
    "facts",
    [
        with_conditions("coronary-disease"),
        with_conditions("heart-failure"),
        with_conditions("atrial-fibrillation"),
        with_conditions("other-arrhythmia"),
        patient(age_years=65),
    ],
)
def test_the_pulse_is_counted_at_each_rise_of_t3(facts):
    assert days(facts, CheckKind.PULSE) == t3_rises(CLIMB.steps, 0)
    assert len(days(facts, CheckKind.PULSE)) > 3


def test_below_65_years_it_is_not():
    assert not days(patient(age_years=64), CheckKind.PULSE)


def test_where_t3_only_falls_no_pulse_is_asked_for():
    facts = patient(age_years=80)
    assert not days(facts, CheckKind.PULSE, plan=TO_SYNTHETIC, intent=TO_LT4)


def test_it_is_counted_in_a_branch_that_raises_t3_too():
    facts = patient(age_years=70)
    up = next(w for w in CLIMB.checkpoint.branches if w.reading is LabReading.HIGH)
    held = sum(line.preparation.t3_ug(line.amount) for line in CLIMB.steps[-1].lines)
    assert days(facts, CheckKind.PULSE, "tsh-high") == t3_rises(up.steps, held)
    assert days(facts, CheckKind.PULSE, "tsh-high")


def test_a_tracing_precedes_the_first_dose_and_comes_again_where_the_rhythm_is_known_to_fail():
    first = next(draw.day for draw in CLIMB.labs if draw.day > 0)
    assert days(with_conditions("atrial-fibrillation"), CheckKind.ECG) == (0, first)
    assert not days(with_conditions("coronary-disease"), CheckKind.ECG)


def test_where_blood_is_drawn_today_and_not_again_a_tracing_comes_today_alone():
    """As at a visit that waits for labs which are overdue."""
    today = replace(CLIMB, labs=(replace(CLIMB.labs[-1], day=0),))
    found = days(with_conditions("atrial-fibrillation"), CheckKind.ECG, plan=today)
    assert found == (0,)


def test_new_palpitations_are_traced_before_the_first_dose():
    assert days(with_conditions("palpitations", day=-3), CheckKind.ECG) == (0,)


# Levothyroxine and liothyronine labels, oral anticoagulants: monitor closely while the thyroid
# state changes. A week after each change: our judgement.
def test_an_inr_follows_every_change_by_a_week_and_comes_with_the_deciding_labs():
    facts = patient(medicines=known("warfarin"))
    changes = [step.first_day for step in CLIMB.steps]
    wanted = {0, CLIMB.checkpoint.lab_day, *(day + 7 for day in changes)}
    assert days(facts, CheckKind.INR) == tuple(sorted(wanted))


def test_in_a_branch_an_inr_follows_the_changed_dose_and_comes_with_its_labs():
    facts = patient(medicines=known("warfarin"))
    back = next(w for w in CLIMB.checkpoint.branches if w.reading is LabReading.LOW)
    drawn = next(d.day for d in back.labs if d.purpose == "after-branch")
    assert days(facts, CheckKind.INR, str(back.reading))[0] == CLIMB.checkpoint.decision_day + 7
    assert days(facts, CheckKind.INR, str(back.reading))[-1] == drawn


# Labels, antidiabetic therapy and digitalis glycosides.
def test_glucose_comes_with_every_blood_and_digoxin_with_the_deciding_one():
    sugar = patient(medicines=known("insulin"))
    assert days(sugar, CheckKind.GLUCOSE) == tuple(draw.day for draw in CLIMB.labs)
    heart = patient(medicines=known("digoxin"))
    assert days(heart, CheckKind.DIGOXIN) == (CLIMB.checkpoint.lab_day,)
    assert days(heart, CheckKind.PULSE) == (CLIMB.checkpoint.lab_day,)


def test_lithium_is_measured_before_the_first_dose():
    assert days(patient(medicines=known("lithium")), CheckKind.LITHIUM) == (0,)


@pytest.mark.parametrize(
    "labs", [(tsh("2"), pulse(101)), (tsh("2"), pulse(70, -91))], ids=["fast", "old"]
)
def test_a_pulse_that_is_fast_or_old_is_counted_again_before_the_first_dose(labs):
    assert days(patient(measurements=labs), CheckKind.PULSE) == (0,)


def test_a_high_t3_exposure_is_met_by_a_pulse_on_its_day():
    high = CLIMB.forecasts[0].t3_exposure[1]
    over = replace(CLIMB.forecasts[0], t3_exposure=(high, replace(high, value=1.6)))
    planned = replace(CLIMB, forecasts=(over, CLIMB.forecasts[1]))
    found = checks_of(after_plan(planned, CLEAR, RULES), RULES, planned, Fraction(0))
    assert [(c.kind, c.days) for c in found["series"]] == [(CheckKind.PULSE, (int(high.day),))]


def test_what_two_findings_ask_for_is_asked_for_once_with_both_reasons():
    (check,) = (
        c
        for c in checks(patient(age_years=80, conditions=known("hypothyroidism", "angina")))[
            "series"
        ]
        if c.kind is CheckKind.PULSE
    )
    assert set(check.asked_by) == {"coronary-disease", "age-65-or-over"}
    assert len(set(check.days)) == len(check.days)
