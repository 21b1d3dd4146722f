"""Where a patient stands, visit by visit, down to the row of the table and the act.

The plan is the service's own, from levothyroxine 100 micrograms to desiccated thyroid: 15 mg on
day 0, 30 on day 14, 45 on day 28, 60 from day 42 on, and labs on day 84. Six weeks to a TSH that
speaks of a dose: American Thyroid Association 2014, 4-8 weeks (from memory). What is done for each
state is common practice, no source, as the table itself says.
"""

import copy
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from tests.unit.reading.records import (
    CATALOGUE,
    COMBINING,
    SNOMED,
    SUBJECT,
    Json,
    bundle,
    dosage,
    read_bundle,
    ucum,
)
from tests.unit.visits import (
    DAY_ONE,
    Proposed,
    chart,
    diagnosis,
    drawn,
    first_day,
    free_t3,
    hypothyroid,
    old,
    on,
    proposed,
    pulse,
    says,
    stands,
    taking,
    tsh,
)

from crossgrain.core.series import running_plan
from crossgrain.core.standing import Standing
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.record import Question
from crossgrain.reading.series_mark import ActTaken, PlannedLine, SeriesFacts, mark_in
from crossgrain.safety.visit import (
    Alarm,
    DosesTaken,
    LabsSay,
    Lateness,
    Position,
    Stock,
    TooFast,
)
from crossgrain.writing.series_mark import facts_parts, on_order, on_plan

PLAN = proposed()
BIOTIN = {
    "resourceType": "MedicationStatement",
    "id": "biotin",
    "status": "active",
    "medicationCodeableConcept": {"text": "biotin 10 mg capsule"},
    "subject": SUBJECT,
    "effectivePeriod": {"start": on(-100)},
    "dosage": [dosage(ucum(10, "mg"))],
}
INFARCTION, PREGNANT, UNSTABLE_ANGINA = "22298006", "77386006", "4557003"


def at(day: int, *beside: Json, plan: Proposed = PLAN, signed_until: int | None = None) -> Standing:
    """Where the patient stands on a day of the plan, followed as it is."""
    found = stands(chart(plan, day, *beside, signed_until=signed_until), day)
    assert isinstance(found, Standing), found
    return found


def answer(standing: Standing) -> tuple[str, Act]:
    return standing.decision.row, standing.decision.act


def asked(resources: list[Json], day: int, **more: object) -> list[Question]:
    found = stands(resources, day, **more)  # type: ignore[arg-type]
    assert isinstance(found, tuple), found
    return list(found)


def after(facts_acts: tuple[ActTaken, ...], resources: list[Json]) -> list[Json]:
    """The same chart, its plan having been through visits that ended so."""
    found = []
    for resource in copy.deepcopy(resources):
        mark = mark_in(resource.get("extension"), COMBINING)
        if mark is not None:
            facts = replace(mark.facts, acts=facts_acts)
            parts = facts_parts(facts)
            unit = "mg" if mark.ordered and "desiccated" in mark.ordered.preparation_id else "ug"
            resource["extension"] = (
                on_order(mark.ordered, unit, parts)
                if mark.ordered
                else on_plan(parts, mark.planned)
            )
        found.append(resource)
    return found


def visited(day: int, act: Act, reason: str, reading: LabReading | None = None) -> ActTaken:
    return ActTaken(DAY_ONE + timedelta(day), act, reason, reading)


# --- along the plan ---


@pytest.mark.parametrize(
    ("day", "step", "position", "row"),
    [
        (0, 1, Position.CLIMB, "as-planned"),
        (13, 1, Position.CLIMB, "as-planned"),
        (14, 2, Position.CLIMB, "as-planned"),
        (41, 3, Position.CLIMB, "as-planned"),
        (42, 4, Position.WAITING, "await-labs"),
        (83, 4, Position.WAITING, "await-labs"),
        (84, 4, Position.WAITING, "labs-due"),
        (90, 4, Position.WAITING, "labs-due"),
    ],
)
def test_a_plan_that_is_followed_goes_on(day: int, step: int, position: Position, row: str) -> None:
    standing = at(day)
    assert (standing.step, standing.steps) == (step, 4)
    assert standing.visit.position is position
    assert answer(standing) == (row, Act.CONTINUE)


def test_what_was_taken_is_told_day_by_day_from_day_one_to_yesterday() -> None:
    taken = at(20).underway.taken
    assert [(each.first_day, each.last_day) for each in taken] == [(-20, -7), (-6, -1)]
    assert {p.id: a for p, a in taken[1].amounts} == {
        "desiccated-thyroid-60": 30,
        "levothyroxine": 50,
    }


def test_the_doses_of_day_one_and_the_checkpoint_are_carried() -> None:
    underway = at(20).underway
    assert [(ln.preparation.id, ln.daily) for ln in underway.original] == [("levothyroxine", 100)]
    assert underway.checkpoint == TargetDose(grains=Fraction(1))
    assert underway.day_one == -20
    assert underway.climbing


def test_the_planned_steps_are_those_of_the_proposal() -> None:
    planned = at(20).underway.planned
    assert [(d.first_day + 20, d.last_day + 20) for d in planned] == [
        (step.first_day, step.last_day) for step in PLAN.plan.steps
    ]
    for told, step in zip(planned, PLAN.plan.steps, strict=True):
        assert {p.id: a for p, a in told.amounts} == {
            line.preparation.id: line.amount for line in step.lines
        }


# --- the ordinary cases ---


@pytest.mark.parametrize(
    ("drawn_on", "row", "act"),
    [
        (83, "early", Act.CONTINUE),
        (84, "labs-incomplete", Act.HOLD),
        (85, "labs-incomplete", Act.HOLD),
    ],
)
def test_an_early_lab_at_the_checkpoint_does_not_speak_of_the_dose(
    drawn_on: int, row: str, act: Act
) -> None:
    assert answer(at(90, tsh("2.1", drawn_on))) == (row, act)


@pytest.mark.parametrize(
    ("value", "reading"),
    [
        ("10.1", LabReading.VERY_HIGH),
        ("10", LabReading.HIGH),
        ("4.1", LabReading.HIGH),
        ("4.0", LabReading.IN_RANGE),
        ("0.4", LabReading.IN_RANGE),
        ("0.39", LabReading.LOW),
        ("0.1", LabReading.LOW),
        ("0.09", LabReading.VERY_LOW),
    ],
)
def test_the_checkpoints_labs_choose_their_branch_at_each_limit(
    value: str, reading: LabReading
) -> None:
    standing = at(91, tsh(value, 84), free_t3("5.0", 84))
    assert answer(standing) == ("labs-decide", Act.BRANCH)
    assert standing.decision.reading is reading


@pytest.mark.parametrize(
    ("value", "reading"), [("6.9", LabReading.HIGH_FREE_T3), ("6.8", LabReading.HIGH)]
)
def test_a_free_t3_above_its_range_beside_a_high_tsh_is_a_branch_of_its_own(
    value: str, reading: LabReading
) -> None:
    assert at(91, tsh("9", 84), free_t3(value, 84)).decision.reading is reading


@pytest.mark.parametrize(
    ("value", "reading"), [("14", LabReading.VERY_HIGH), ("9", LabReading.HIGH)]
)
@pytest.mark.parametrize("t3", [(), ("6.9",)], ids=["no free T3", "free T3 high"])
def test_where_lt4_carries_the_raise_free_t3_has_no_say_in_a_high_tsh(
    value: str, reading: LabReading, t3: tuple[str, ...]
) -> None:
    combined = proposed(Target.LT4_LT3)
    waits = combined.plan.checkpoint
    beside = [free_t3(each, waits.lab_day) for each in t3]
    standing = at(waits.decision_day, tsh(value, waits.lab_day), *beside, plan=combined)
    assert answer(standing) == ("labs-decide", Act.BRANCH)
    assert standing.decision.reading is reading
    in_range = at(waits.decision_day, tsh("2", waits.lab_day), plan=combined)
    assert in_range.decision.row == "labs-incomplete"


@pytest.mark.parametrize(
    ("day", "row"), [(98, "labs-due"), (99, "overdue")], ids=["14 days late", "15 days late"]
)
def test_a_late_lab_is_overdue_after_the_days_of_grace(day: int, row: str) -> None:
    assert at(day).decision.row == row


def test_overdue_labs_hold_to_a_date_and_then_ask() -> None:
    chart_ = chart(PLAN, 99)
    standing = stands(after((visited(99, Act.HOLD, "overdue"),), chart_), 104)
    assert isinstance(standing, Standing)
    assert answer(standing) == ("overdue-again", Act.ASK)
    assert at(99).decision.hold_days == 14


@pytest.mark.parametrize("drawn_on", [97, 99, 100])
def test_labs_that_come_after_they_were_called_overdue_are_read_whenever_drawn(
    drawn_on: int,
) -> None:
    chart_ = chart(PLAN, 104, tsh("2.0", drawn_on), free_t3("5.0", drawn_on))
    standing = stands(after((visited(99, Act.HOLD, "overdue"),), chart_), 104)
    assert isinstance(standing, Standing)
    assert answer(standing) == ("labs-decide", Act.BRANCH)


@pytest.mark.parametrize("reason", ["labs-unreadable", "labs-incomplete"])
def test_labs_drawn_again_on_the_day_of_a_visit_are_read_at_the_next(reason: str) -> None:
    chart_ = chart(PLAN, 94, tsh("2.0", 90), free_t3("5.0", 90))
    standing = stands(after((visited(90, Act.HOLD, reason),), chart_), 94)
    assert isinstance(standing, Standing)
    assert answer(standing) == ("labs-decide", Act.BRANCH)


@pytest.mark.parametrize("reason", ["low-on-the-way", "both-high-on-the-way"])
def test_nothing_rises_after_a_hold_for_labs_that_have_not_come(reason: str) -> None:
    held = after((visited(14, Act.HOLD, reason),), chart(PLAN, 20))
    for day, row in ((27, "as-planned"), (28, "overdue")):
        standing = stands(held, day)
        assert isinstance(standing, Standing)
        assert standing.decision.row == row


def test_called_again_on_the_same_day_it_gives_the_same_answer() -> None:
    chart_ = chart(PLAN, 99)
    standing = stands(after((visited(99, Act.HOLD, "overdue"),), chart_), 99)
    assert isinstance(standing, Standing)
    assert answer(standing) == ("overdue", Act.HOLD)


def test_a_lab_on_biotin_is_not_read() -> None:
    standing = at(91, tsh("0.05", 84), free_t3("5.0", 84), BIOTIN)
    assert answer(standing) == ("labs-unreadable", Act.HOLD)
    assert "biotin" in standing.labs.why


def test_biotin_that_was_begun_after_the_draw_changes_nothing() -> None:
    later = {**BIOTIN, "effectivePeriod": {"start": on(85)}}
    assert at(91, tsh("2", 84), free_t3("5.0", 84), later).decision.row == "labs-decide"


def test_labs_of_one_day_that_disagree_are_asked_about() -> None:
    standing = at(91, tsh("2", 84), tsh("9", 84), free_t3("5.0", 84))
    assert answer(standing) == ("labs-disagree", Act.ASK)


def test_a_preliminary_result_is_not_read() -> None:
    standing = at(91, tsh("2", 84, status="preliminary"))
    assert answer(standing) == ("labs-unreadable", Act.HOLD)


@pytest.mark.parametrize(
    ("missed", "taking", "row"),
    [
        (2, DosesTaken.AS_ORDERED, "as-planned"),
        (3, DosesTaken.MISSED, "missed"),
        (6, DosesTaken.MISSED, "missed"),
        (7, DosesTaken.GAP, "gap"),
        (14, DosesTaken.GAP, "gap"),
    ],
)
def test_missed_days_hold_the_step(missed: int, taking: DosesTaken, row: str) -> None:
    standing = at(30, says(30, missed=missed))
    assert standing.visit.taking is taking
    assert standing.decision.row == row


def test_two_weeks_missed_are_days_without_hormone() -> None:
    standing = at(30, says(30, missed=14))
    assert answer(standing) == ("gap", Act.HOLD)
    assert standing.underway.taken[-1].last_day == -15


def test_two_weeks_without_any_medicine_in_the_record_are_a_gap() -> None:
    """Step two was begun on day 28, and nothing was taken for the two weeks before it."""
    found = stands(
        [
            hypothyroid(),
            old(13),
            taking("thyroid (USP) 15 mg tablet", ucum(15, "mg"), 0, 13),
            taking("levothyroxine 50 micrograms tablet", ucum(50, "ug"), 28),
            taking("thyroid (USP) 30 mg tablet", ucum(30, "mg"), 28),
            PLAN.care_plan,
        ],
        30,
    )
    assert isinstance(found, Standing), found
    assert found.visit.taking is DosesTaken.GAP
    assert answer(found) == ("gap", Act.HOLD)
    assert [(d.first_day, d.last_day) for d in found.underway.taken] == [(-30, -17), (-2, -1)]


def test_started_ten_days_late_moves_every_date() -> None:
    standing = at(10, signed_until=-1)
    assert standing.step is None
    assert standing.visit.schedule is Lateness.BEHIND
    assert answer(standing) == ("behind", Act.CONTINUE)
    assert standing.underway.today.t4_ug == 100


@pytest.mark.parametrize(
    ("day", "schedule"), [(16, Lateness.ON_TIME), (17, Lateness.BEHIND), (27, Lateness.BEHIND)]
)
def test_a_step_taken_twice_as_long_is_behind_the_dates(day: int, schedule: Lateness) -> None:
    """Only the first step's order is signed, and its last dose goes on."""
    standing = at(day, signed_until=0)
    assert standing.step == 1
    assert standing.visit.schedule is schedule
    assert standing.decision.act is Act.CONTINUE
    assert standing.underway.taken[-1].last_day == -1


def test_a_supply_that_ended_longer_ago_than_it_may_is_asked_about() -> None:
    """Two weeks after its last order nobody knows whether the new medicine is still taken."""
    (question,) = asked(chart(PLAN, 28, signed_until=0), 28)
    assert "Which is taken?" in question.question


def test_a_strength_out_of_stock_is_known_by_the_orders_to_come() -> None:
    there = [("desiccated-thyroid-60", Fraction(15))]
    found = stands(chart(PLAN, 20), 20, stock=there)
    assert isinstance(found, Standing)
    assert found.visit.stock is Stock.OUT
    assert answer(found) == ("out-of-stock", Act.CONTINUE)
    every = [(p, Fraction(s)) for p in ("desiccated-thyroid-60",) for s in (15, 30, 60)]
    enough = stands(chart(PLAN, 20), 20, stock=every)
    assert isinstance(enough, Standing)
    assert enough.visit.stock is Stock.AS_PLANNED


@pytest.mark.parametrize(
    ("labs", "row", "act"),
    [
        ("0.05", "palpitations-low-climb", Act.STEP_BACK),
        ("0.3", "palpitations-low-climb", Act.STEP_BACK),
        ("2.0", "palpitations-in-range-climb", Act.HOLD),
        ("12", "palpitations-high", Act.ASK),
        (None, "palpitations-no-labs", Act.HOLD),
    ],
)
def test_palpitations_in_mid_climb_are_read_beside_tsh(
    labs: str | None, row: str, act: Act
) -> None:
    beside = [tsh(labs, 29)] if labs else []
    assert answer(at(30, says(30, "palpitations"), *beside)) == (row, act)


@pytest.mark.parametrize(
    ("labs", "row", "reading"),
    [
        ("0.3", "palpitations-low", LabReading.VERY_LOW),
        ("2.0", "palpitations-in-range", LabReading.SYMPTOMS),
        ("9", "palpitations-high", None),
    ],
)
def test_palpitations_at_the_checkpoint_too(
    labs: str, row: str, reading: LabReading | None
) -> None:
    standing = at(91, says(91, "palpitations"), tsh(labs, 84), free_t3("5.0", 84))
    assert (standing.decision.row, standing.decision.reading) == (row, reading)


@pytest.mark.parametrize(("rate", "sign"), [("101", TooFast.PALPITATIONS), ("100", TooFast.NONE)])
def test_a_fast_pulse_counts_as_palpitations(rate: str, sign: TooFast) -> None:
    assert at(30, pulse(rate, 30)).visit.too_fast is sign


def test_jitters_slow_the_climb_down() -> None:
    assert answer(at(20, says(20, "jitters"))) == ("jitters-first", Act.SLOW_DOWN)


def test_what_a_visit_has_answered_is_not_weighed_again() -> None:
    chart_ = chart(PLAN, 30, says(20, "palpitations"))
    acts = (visited(20, Act.HOLD, "palpitations"),)
    standing = stands(after(acts, chart_), 30)
    assert isinstance(standing, Standing)
    assert standing.visit.too_fast is TooFast.NONE


def test_pregnancy_in_mid_climb_turns_back() -> None:
    standing = at(30, diagnosis(PREGNANT, 25))
    assert standing.visit.alarm is Alarm.PREGNANCY
    assert answer(standing) == ("pregnancy", Act.TURN_BACK)
    wish = standing.underway.wish
    assert wish.lt4_at_least_most_generous
    assert wish.too_little_weighs
    assert wish.tsh_every_days == 28  # ATA 2017 pregnancy guideline, quick reference


def test_after_turning_back_the_pregnancy_is_no_alarm_any_more() -> None:
    chart_ = chart(PLAN, 30, diagnosis(PREGNANT, 25))
    standing = stands(after((visited(29, Act.TURN_BACK, "pregnancy"),), chart_), 30)
    assert isinstance(standing, Standing)
    assert standing.visit.alarm is Alarm.NONE


@pytest.mark.parametrize(
    ("happened", "alarm"),
    [(29, Alarm.EMERGENCY), (30 - 91, Alarm.EMERGENCY), (30 - 92, Alarm.NONE)],
)
def test_an_infarction_in_mid_climb_stops_it(happened: int, alarm: Alarm) -> None:
    standing = at(30, diagnosis(INFARCTION, happened))
    assert standing.visit.alarm is alarm
    if alarm is Alarm.EMERGENCY:
        assert answer(standing) == ("emergency", Act.STOP)


def test_chest_pain_is_an_emergency() -> None:
    assert answer(at(30, says(30, "chest-pain"))) == ("emergency", Act.STOP)


def test_any_other_rule_that_stops_a_plan_stops_the_climb() -> None:
    adrenal = diagnosis("386584007", 10)
    assert answer(at(30, adrenal)) == ("stop-rule", Act.STOP)


def test_a_dose_that_is_no_step_of_the_plan_is_asked_about_by_its_path() -> None:
    by_hand = taking("thyroid (USP) 90 mg tablet", ucum(90, "mg"), first=31)
    chart_ = [*chart(PLAN, 30), by_hand]
    chart_ = [r for r in chart_ if r["resourceType"] != "MedicationRequest"]
    (question,) = asked([r for r in chart_ if r.get("id") != old()["id"]], 35)
    assert question.expression.startswith("Bundle.entry[")
    assert "90 mg" in question.question
    assert "45 mg" in question.question
    assert "Which is taken?" in question.question


def test_a_patient_who_stopped_is_asked_about() -> None:
    stopped = [
        {**r, "status": "stopped"} if r["resourceType"] == "MedicationRequest" else r
        for r in chart(PLAN, 30)
    ]
    found = stands(stopped, 30)
    assert isinstance(found, Standing), found
    assert answer(found) == ("stopped", Act.ASK)
    assert found.visit.taking is DosesTaken.STOPPED


# --- after the checkpoint ---


def test_a_branch_that_was_taken_is_past_the_checkpoint() -> None:
    acts = (visited(91, Act.BRANCH, "labs", LabReading.IN_RANGE),)
    standing = stands(after(acts, chart(PLAN, 95, tsh("2", 84), free_t3("5", 84))), 95)
    assert isinstance(standing, Standing)
    assert standing.visit.position is Position.AFTER
    assert standing.visit.labs in {LabsSay.NONE, LabsSay.DUE, LabsSay.OVERDUE}
    assert standing.underway.in_range_before


@pytest.mark.parametrize(
    ("labs", "row", "act"),
    [
        ((), "as-planned", Act.CONTINUE),
        ((tsh("0.05", 104),), "suppressed-on-the-way", Act.STEP_BACK),
        ((tsh("2", 104), free_t3("7.5", 104)), "low-on-the-way", Act.HOLD),
    ],
)
def test_in_a_branch_that_climbs_on_labs_hold_as_on_the_way(
    labs: tuple[Json, ...], row: str, act: Act
) -> None:
    """60 mg until day 104, then 75: labs that show too much do not let it rise."""
    acts = (visited(91, Act.BRANCH, "labs", LabReading.HIGH),)
    resources = after(acts, chart(PLAN, 95, *labs))
    for resource in resources:
        if resource["resourceType"] == "CarePlan":
            mark = mark_in(resource["extension"], COMBINING)
            assert mark is not None
            steps = (
                PlannedLine(
                    "desiccated-thyroid-60",
                    DAY_ONE + timedelta(91),
                    ((0, Fraction(60)), (14, Fraction(75))),
                    63,
                ),
                PlannedLine("levothyroxine", DAY_ONE + timedelta(91), ((0, Fraction(25)),), 63),
            )
            resource["extension"] = on_plan(facts_parts(mark.facts), steps)
    found = stands(resources, 104)
    assert isinstance(found, Standing), found
    assert found.visit.position is Position.CLIMB
    assert answer(found) == (row, act)
    assert not found.underway.climbing


def test_two_labs_in_range_in_a_row_are_maintenance() -> None:
    acts = (
        visited(45, Act.BRANCH, "labs", LabReading.IN_RANGE),
        visited(76, Act.BRANCH, "labs", LabReading.IN_RANGE),
    )
    standing = stands(after(acts, chart(PLAN, 77)), 77)
    assert isinstance(standing, Standing)
    assert standing.visit.position is Position.MAINTENANCE
    assert answer(standing) == ("maintain", Act.CONTINUE)


def test_one_in_range_after_one_that_was_not_is_not_maintenance_yet() -> None:
    acts = (
        visited(40, Act.BRANCH, "labs", LabReading.IN_RANGE),
        visited(60, Act.BRANCH, "labs", LabReading.HIGH),
        visited(91, Act.BRANCH, "labs", LabReading.IN_RANGE),
    )
    standing = stands(after(acts, chart(PLAN, 92)), 92)
    assert isinstance(standing, Standing)
    assert standing.visit.position is Position.AFTER


def test_labs_that_a_branch_has_answered_decide_nothing_twice() -> None:
    acts = (visited(91, Act.BRANCH, "labs", LabReading.HIGH),)
    for day in (91, 95):
        standing = stands(after(acts, chart(PLAN, 91, tsh("9", 84), free_t3("5", 84))), day)
        assert isinstance(standing, Standing)
        assert standing.decision.act is not Act.BRANCH


def test_labs_of_the_day_of_a_hold_for_symptoms_are_read_at_the_next_visit() -> None:
    acts = (visited(30, Act.HOLD, "palpitations"),)
    standing = stands(after(acts, chart(PLAN, 33, tsh("0.05", 30))), 33)
    assert isinstance(standing, Standing)
    assert answer(standing) == ("suppressed-on-the-way", Act.STEP_BACK)


# --- which plan ---


def test_without_a_plan_what_is_taken_is_adjusted_by_its_labs() -> None:
    found = stands([hypothyroid(), old(), tsh("9", -10)], 0)
    assert isinstance(found, Standing)
    assert found.series is None
    assert found.visit.position is Position.NONE
    assert answer(found) == ("labs-adjust", Act.BRANCH)
    assert found.decision.reading is LabReading.HIGH
    assert found.underway.checkpoint is None
    assert found.target is Target.LEVOTHYROXINE


@pytest.mark.parametrize(
    ("begun", "row"),
    [(-42, "labs-adjust"), (-41, "early-without-plan")],
    ids=["six weeks", "a day less"],
)
def test_without_a_plan_labs_speak_after_six_weeks_on_the_dose(begun: int, row: str) -> None:
    taken = taking("levothyroxine 100 micrograms tablet", ucum(100, "ug"), first=begun)
    found = stands([hypothyroid(), taken, tsh("9", 0)], 0)
    assert isinstance(found, Standing)
    assert found.decision.row == row


def test_without_a_plan_and_without_labs_they_are_drawn() -> None:
    found = stands([hypothyroid(), old()], 0)
    assert isinstance(found, Standing)
    assert answer(found) == ("overdue", Act.HOLD)


# --- a mixture that no move leads to, and no plan ---


def grains(first: int = -400, last: int | None = None) -> Json:
    """Desiccated thyroid 15 mg, of the 60-mg family."""
    return taking("desiccated thyroid 15 mg tablet", ucum(15, "mg"), first=first, last=last)


def both_from(first: int, *, last: int | None = None) -> list[Json]:
    """Levothyroxine 75 micrograms and desiccated thyroid, begun on one day."""
    lt4 = taking("levothyroxine 75 micrograms tablet", ucum(75, "ug"), first=first, last=last)
    found = [lt4, grains(first, last)]
    for each in found if last is not None else ():
        each["status"] = "active"
    return [hypothyroid(), old(first - 1), *found]


@pytest.mark.parametrize(
    ("value", "reading"),
    [
        ("0.39", LabReading.LOW),
        ("0.4", LabReading.IN_RANGE),
        ("4", LabReading.IN_RANGE),
        ("4.1", LabReading.HIGH),
        ("10", LabReading.HIGH),
        ("10.1", LabReading.VERY_HIGH),
    ],
)
def test_levothyroxine_with_desiccated_thyroid_is_adjusted_by_its_labs(
    value: str, reading: LabReading
) -> None:
    """A TSH of 0.4 to 4.0 is in range; above 10 it is very high."""
    found = stands([*both_from(-100), tsh(value, -2), free_t3("5", -2)], 0)
    assert isinstance(found, Standing), found
    assert (answer(found), found.decision.reading) == (("labs-adjust", Act.BRANCH), reading)
    assert (found.target, found.underway.beside) == (
        Target.LEVOTHYROXINE,
        {Kind.DESICCATED_THYROID},
    )


def test_that_nothing_is_known_of_a_move_to_it_is_to_be_confirmed() -> None:
    found = stands(both_from(-100), 0)
    assert isinstance(found, Standing), found
    (confirm,) = (each for each in found.record.confirm if "(`plan`)" in each.question)
    assert confirm.expression == found.record.current[1].path
    alone = stands([hypothyroid(), old()], 0)
    assert isinstance(alone, Standing)
    assert not any("(`plan`)" in each.question for each in alone.record.confirm)


@pytest.mark.parametrize(
    ("first", "last", "kept"),
    [
        (-2, 38, False),  # ordered for 41 days
        (-2, 39, True),
        (-2, 40, True),
        (-40, 0, False),
        (-41, 0, True),
        (-42, 0, True),
        (-2, None, True),
    ],
)
def test_a_mixture_that_is_neither_taken_nor_ordered_for_six_weeks_may_be_a_step_of_a_move(
    first: int, last: int | None, kept: bool
) -> None:
    resources = both_from(first, last=last)
    found = stands(resources, 0)
    if kept:
        assert isinstance(found, Standing), found
        return
    assert isinstance(found, tuple)
    assert {q.expression.rpartition(".")[2] for q in found} == {"resource"}
    assert all("42 days or more" in q.question and "(`plan`)" in q.question for q in found)


def test_renewed_every_four_weeks_it_is_a_dose_to_keep_after_six() -> None:
    def renewed(until: int) -> list[Json]:
        spans = [(-until, -until + 27), (-until + 28, 27 - until + 28)]
        found = [each for first, last in spans for each in both_from(first, last=last)[2:]]
        return [hypothyroid(), old(-until - 1), *found]

    assert isinstance(stands(renewed(41), 0), tuple)
    assert isinstance(stands(renewed(42), 0), Standing)
    assert isinstance(stands(renewed(43), 0), Standing)


@pytest.mark.parametrize(("ended", "told"), [(-42, False), (-43, True), (-44, True)])
def test_without_a_plan_a_doubt_of_long_ago_is_left_behind(ended: int, told: bool) -> None:
    """Two strengths side by side that nothing says to be one dose, before today's."""
    before = [
        taking(f"desiccated thyroid {mg} mg tablet", ucum(mg, "mg"), first=-90, last=ended)
        for mg in (60, 15)
    ]
    now = taking("levothyroxine 100 micrograms tablet", ucum(100, "ug"), first=ended + 1)
    found = stands([hypothyroid(), *before, now], 0)
    assert isinstance(found, Standing) is told
    if isinstance(found, Standing):
        assert [each.first_day for each in found.underway.taken] == [ended + 1]
    else:
        assert all("side by side" in each.question for each in found)


def test_two_products_of_desiccated_thyroid_beside_levothyroxine_are_asked_about() -> None:
    lt4 = taking("levothyroxine 75 micrograms tablet", ucum(75, "ug"))
    other = taking("desiccated thyroid 16.25 mg tablet", ucum(Decimal("16.25"), "mg"))
    together = [
        {
            "resourceType": "MedicationRequest",
            "id": f"together-{number}",
            "status": "active",
            "intent": "order",
            "groupIdentifier": {"value": "together"},
            "authoredOn": on(-100),
            "medicationCodeableConcept": statement["medicationCodeableConcept"],
            "subject": SUBJECT,
            "dosageInstruction": statement["dosage"],
        }
        for number, statement in enumerate((grains(), other))
    ]
    questions = asked([hypothyroid(), lt4, *together], 0)
    assert all("none of the combinations" in each.question for each in questions)
    assert len(questions) == 3


def test_a_tablet_of_fixed_ratio_beside_levothyroxine_is_asked_about() -> None:
    text = "levothyroxine 50 micrograms and liothyronine 12.5 micrograms tablet"
    questions = asked([hypothyroid(), old(), taking(text, ucum(1, "{tbl}"))], 0)
    assert all("a tablet of fixed ratio" in each.question for each in questions)


def test_in_pregnancy_desiccated_thyroid_beside_levothyroxine_turns_back() -> None:
    pregnant = diagnosis(PREGNANT, -10)
    found = stands([*both_from(-100), pregnant], 0)
    assert isinstance(found, Standing), found
    assert answer(found) == ("pregnancy", Act.TURN_BACK)
    assert "pregnant-t3-target" in {finding.code for finding in found.findings}


def test_an_allergy_to_pork_speaks_against_what_stays_beside_levothyroxine() -> None:
    pork = {
        "resourceType": "AllergyIntolerance",
        "id": "a-pork",
        "clinicalStatus": {"coding": [{"code": "active"}]},
        "patient": SUBJECT,
        "code": {"text": "pork"},
    }
    found = stands([*both_from(-100), pork], 0)
    assert isinstance(found, Standing), found
    assert answer(found) == ("stop-rule", Act.STOP)


def test_nothing_taken_and_no_plan_is_asked_about() -> None:
    (question,) = asked([hypothyroid()], 0)
    assert "What does the patient take now" in question.question


def test_a_plan_that_is_given_beside_the_record_counts_as_taken_up() -> None:
    """The orders lost what they say of the plan; the answer of day one tells it."""
    bare = [{k: v for k, v in r.items() if k != "extension"} for r in chart(PLAN, 30)]
    bare = [r for r in bare if r["resourceType"] != "CarePlan"]
    found = stands(bare, 30, given=PLAN.answer)
    assert isinstance(found, Standing)
    assert found.series is not None
    assert found.series.given
    assert (found.step, answer(found)) == (3, ("as-planned", Act.CONTINUE))


def test_its_care_plan_alone_is_enough() -> None:
    bare = [{k: v for k, v in r.items() if k != "extension"} for r in chart(PLAN, 30)]
    bare = [r for r in bare if r["resourceType"] != "CarePlan"]
    found = stands(bare, 30, given=PLAN.care_plan)
    assert isinstance(found, Standing)
    assert found.step == 3


def test_a_plan_of_another_patient_is_refused_where_it_stands() -> None:
    other = copy.deepcopy(PLAN.care_plan) | {"subject": {"reference": "Patient/p2"}}
    with pytest.raises(Unreadable, match="another patient") as refused:
        stands([hypothyroid(), old()], 30, given=other)
    assert refused.value.expression == "Plan.subject"


@pytest.mark.parametrize("status", ["revoked", "completed", "entered-in-error"])
def test_a_plan_that_is_given_and_closed_does_not_go_on(status: str) -> None:
    closed = PLAN.care_plan | {"status": status}
    found = stands([hypothyroid(), old()], 30, given=closed)
    assert isinstance(found, Standing)
    assert found.series is None
    assert "The plan that was given is closed" in found.record.confirm[-1].question


def test_a_plan_that_the_record_has_as_closed_does_not_go_on_where_it_is_given() -> None:
    closed = PLAN.care_plan | {"status": "revoked"}
    found = stands([hypothyroid(), old(), closed], 30, given=PLAN.answer)
    assert isinstance(found, Standing)
    assert found.series is None


@pytest.mark.parametrize(
    ("day", "says_so"), [(30, "Is a move from one"), (50, "A move to another thyroid medicine")]
)
def test_where_the_orders_lost_what_they_say_of_it_the_plan_is_asked_for(
    day: int, says_so: str
) -> None:
    bare = [{k: v for k, v in r.items() if k != "extension"} for r in chart(PLAN, day)]
    questions = asked([r for r in bare if r["resourceType"] != "CarePlan"], day)
    assert all(says_so in each.question and "`plan`" in each.question for each in questions)


def test_filed_in_part_the_plan_is_computed_again() -> None:
    """Only the first orders are in the record, and no care plan."""
    part = [r for r in chart(PLAN, 10) if r["resourceType"] != "CarePlan"]
    found = stands(part, 10)
    assert isinstance(found, Standing)
    assert [d.last_day - d.first_day + 1 for d in found.underway.planned] == [14, 14, 14, 49]
    assert answer(found) == ("as-planned", Act.CONTINUE)


def test_filed_in_part_after_a_visit_the_plan_is_asked_for() -> None:
    part = [r for r in chart(PLAN, 10) if r["resourceType"] != "CarePlan"]
    acts = (visited(9, Act.HOLD, "overdue"),)
    (question,) = asked(after(acts, part), 10)
    assert "(`plan`)" in question.question


def test_a_care_plan_that_disagrees_with_its_orders_is_asked_about() -> None:
    resources = chart(PLAN, 30)
    (place,) = [n for n, r in enumerate(resources) if r["resourceType"] == "CarePlan"]
    other = after((visited(9, Act.HOLD, "overdue"),), resources)
    resources[place] = other[place]
    (question,) = asked(resources, 30)
    assert "different things" in question.question


def second_plan(resources: list[Json], **changes: object) -> list[Json]:
    """The same plan once more, under an id of its own and otherwise told."""
    found = []
    for resource in copy.deepcopy(resources):
        mark = mark_in(resource.get("extension"), COMBINING)
        if mark is None or mark.ordered is not None:
            continue
        facts: SeriesFacts = replace(mark.facts, plan_id="another", **changes)  # type: ignore[arg-type]
        resource["extension"] = on_plan(facts_parts(facts), mark.planned)
        found.append({**resource, "id": "another"})
    return found


def test_a_second_plan_that_is_open_too_is_asked_about() -> None:
    resources = chart(PLAN, 30)
    second = second_plan(resources, day_one=DAY_ONE + timedelta(20))
    questions = asked([*resources, *second], 30)
    assert len(questions) == 2
    assert all("Several plans are open" in each.question for each in questions)


def test_a_second_plan_begun_after_the_first_was_closed_is_the_one_that_runs() -> None:
    resources = chart(PLAN, 30)
    closed = [{**r, "status": "revoked"} for r in second_plan(resources)]
    found = stands([*resources, *closed], 30)
    assert isinstance(found, Standing)
    assert found.facts is not None
    assert found.facts.plan_id != "another"


def test_the_plan_of_a_later_visit_succeeds_that_of_day_one() -> None:
    resources = chart(PLAN, 30)
    later = second_plan(resources, acts=(visited(29, Act.HOLD, "overdue"),))
    found = stands([*resources, *later], 30)
    assert isinstance(found, Standing)
    assert found.facts is not None
    assert found.facts.plan_id == "another"


def test_a_plan_that_was_finished_and_closed_leaves_what_is_taken_to_be_adjusted() -> None:
    """A year on, on the dose that it led to, with a TSH in range."""
    kept = taking("thyroid (USP) 60 mg tablet", ucum(60, "mg"), 120)
    closed = {**PLAN.care_plan, "status": "completed"}
    found = stands([hypothyroid(), old(90), kept, closed, tsh("2", 450)], 460)
    assert isinstance(found, Standing), found
    assert found.series is None
    assert answer(found) == ("labs-adjust", Act.BRANCH)
    assert found.decision.reading is LabReading.IN_RANGE


def test_a_plan_that_is_yet_to_begin_is_asked_about() -> None:
    (question,) = asked([hypothyroid(), old(), PLAN.care_plan], -3)
    assert "begins on 2025-03-03" in question.question


# --- the checkpoint ---


def with_facts(resources: list[Json], **changes: object) -> list[Json]:
    found = []
    for resource in copy.deepcopy(resources):
        mark = mark_in(resource.get("extension"), COMBINING)
        if mark is not None:
            facts = replace(mark.facts, **changes)  # type: ignore[arg-type]
            unit = "mg" if mark.ordered and "desiccated" in mark.ordered.preparation_id else "ug"
            resource["extension"] = (
                on_order(mark.ordered, unit, facts_parts(facts))
                if mark.ordered
                else on_plan(facts_parts(facts), mark.planned)
            )
        found.append(resource)
    return found


@pytest.mark.parametrize(
    ("carried", "held"),
    [(Fraction(2), Fraction(1)), (Fraction(3, 4), Fraction(3, 4)), (Fraction(1), Fraction(1))],
)
def test_the_smaller_of_the_carried_and_the_computed_checkpoint_holds(
    carried: Fraction, held: Fraction
) -> None:
    found = stands(with_facts(chart(PLAN, 30), checkpoint=TargetDose(grains=carried)), 30)
    assert isinstance(found, Standing)
    assert found.underway.checkpoint == TargetDose(grains=held)
    ends = {p.id: a for p, a in found.underway.planned[-1].amounts}
    assert ends["desiccated-thyroid-60"] == held * 60
    differs = any("comes out otherwise" in each.question for each in found.record.confirm)
    assert differs == (carried != 1)


def test_a_plan_of_other_tables_says_so() -> None:
    found = stands(with_facts(chart(PLAN, 30), tables="other"), 30)
    assert isinstance(found, Standing)
    assert any("other charts" in each.question for each in found.record.confirm)
    assert not any("other charts" in each.question for each in at(30).record.confirm)


def test_an_order_that_was_changed_by_hand_is_to_be_confirmed() -> None:
    resources = copy.deepcopy(chart(PLAN, 30))
    for resource in resources:
        if resource["resourceType"] == "MedicationRequest" and first_day(resource) == on(28):
            for instruction in resource["dosageInstruction"]:
                instruction.pop("text")
                instruction["timing"]["repeat"]["boundsPeriod"]["end"] = on(60)
    found = stands(resources, 30)
    assert isinstance(found, Standing), found
    assert any("was changed after" in each.question for each in found.record.confirm)


# --- other targets ---


@pytest.mark.parametrize("target", [Target.LIOTHYRONINE, Target.LT4_LT3, Target.DESICCATED_LT3])
def test_a_followed_plan_to_another_target_goes_on_to_its_labs(target: Target) -> None:
    made = proposed(target)
    last = made.plan.steps[-1]
    for day in (1, made.plan.checkpoint.day, last.last_day):
        standing = at(day, plan=made)
        assert standing.decision.act is Act.CONTINUE, (day, standing.decision)
    assert standing.visit.position is Position.WAITING


def test_central_hypothyroidism_is_read_by_free_t4() -> None:
    """In the upper half of the laboratory's range: design of the branches; TSH says nothing."""
    low, high = ({"value": v, "system": ucum(1, "1")["system"], "code": "pmol/L"} for v in (12, 22))
    t4 = drawn("14920-3", "18", "pmol/L", -10, referenceRange=[{"low": low, "high": high}])
    central = {
        **diagnosis("40930008", -900),
        "id": "central",
        "code": {"coding": [{"system": SNOMED, "code": "82598004"}], "text": "central"},
    }
    found = stands([central, old(), t4, tsh("0.01", -10)], 0)
    assert isinstance(found, Standing)
    assert found.visit.labs is LabsSay.IN_RANGE


@pytest.mark.parametrize(
    "changes", [{"basis_id": "elsewhere"}, {"pace": "swift"}, {"family": "desiccated-thyroid-61"}]
)
def test_a_plan_of_tables_that_are_not_here_is_asked_about(changes: dict[str, str]) -> None:
    (question,) = asked(with_facts(chart(PLAN, 30), **changes), 30)
    assert "not known here" in question.question
    assert question.expression.startswith("Bundle.entry[")


def test_what_is_asked_of_a_plan_that_was_given_names_it_there() -> None:
    given = copy.deepcopy(PLAN.care_plan)
    (given,) = with_facts([given], pace="swift")
    (question,) = asked([hypothyroid(), old()], 0, given=given)
    assert question.expression == "Plan"


def test_to_adjust_what_is_taken_is_no_move_that_stops_another_plan() -> None:
    adjusted = with_facts([PLAN.care_plan], titration=True)
    record = read_bundle(bundle(hypothyroid(), old(), *adjusted), as_of=DAY_ONE)
    assert running_plan(record, CATALOGUE) is None
    moving = read_bundle(bundle(hypothyroid(), old(), PLAN.care_plan), as_of=DAY_ONE)
    assert running_plan(moving, CATALOGUE) is not None


def test_a_course_of_titration_goes_on_by_its_labs() -> None:
    """From 88 to 100 micrograms at the first visit; six weeks later TSH is still high."""
    acts = (visited(0, Act.BRANCH, "labs", LabReading.HIGH),)
    changes = {
        "titration": True,
        "target": Target.LEVOTHYROXINE,
        "original": (("levothyroxine", (Fraction(88),)),),
        "checkpoint": TargetDose(lt4_ug=Fraction(100)),
        "acts": acts,
        "decision": DAY_ONE + timedelta(49),
    }
    (plan,) = with_facts([PLAN.care_plan], **changes)
    mark = mark_in(plan["extension"], COMBINING)
    assert mark is not None
    line = PlannedLine("levothyroxine", DAY_ONE, ((0, Fraction(100)),), 49)
    plan["extension"] = on_plan(facts_parts(mark.facts), (line,))
    now = taking("levothyroxine 100 micrograms tablet", ucum(100, "ug"), first=0)
    before = taking("levothyroxine 88 micrograms tablet", ucum(88, "ug"), last=-1)
    found = stands([hypothyroid(), before, now, plan, tsh("7", 42)], 49)
    assert isinstance(found, Standing), found
    assert found.visit.position is Position.AFTER
    assert answer(found) == ("labs-adjust", Act.BRANCH)
    assert found.decision.reading is LabReading.HIGH
    assert found.underway.checkpoint is None
