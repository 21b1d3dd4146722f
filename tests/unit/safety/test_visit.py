"""The table of the next step gives every visit exactly one answer, in the order of precedence.

The order and the acts are those of a prescriber's practice ("common practice, no source") and of
the sources that stand beside each row; what is checked here is that the file says so.
"""

from collections import Counter
from dataclasses import replace

import pytest

from crossgrain.catalogue import load_catalogue
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.safety.visit import (
    Alarm,
    Before,
    DosesTaken,
    LabsSay,
    Lateness,
    Position,
    Precedence,
    Stock,
    TooFast,
    Visit,
    decide,
    decide_again,
    every_visit,
    rows_for,
)

TABLE = load_catalogue().decisions
CLIMB = Visit(Position.CLIMB)
WAITING = Visit(Position.WAITING)
LOW = {LabsSay.EARLY_SUPPRESSED, LabsSay.EARLY_LOW, LabsSay.LOW, LabsSay.VERY_LOW}
HIGH = {LabsSay.EARLY_VERY_HIGH, LabsSay.HIGH, LabsSay.VERY_HIGH, LabsSay.HIGH_FREE_T3}


def answered(visit: Visit) -> tuple[str, Act]:
    decision = decide(visit, TABLE)
    return decision.row, decision.act


@pytest.fixture(scope="module")
def answers() -> dict[Visit, str]:
    """The one row of every visit; where there is none, or several, this fails."""
    found = {}
    for visit in every_visit():
        rows = rows_for(visit, TABLE)
        assert len(rows) == 1, (visit, [row.code for row in rows])
        found[visit] = rows[0].code
    return found


def test_every_visit_has_exactly_one_row(answers: dict[Visit, str]) -> None:
    assert len(answers) == 5 * 4 * 4 * 3 * 18 * 3 * 3 * 2 * 3


def test_every_row_is_the_answer_to_some_visit(answers: dict[Visit, str]) -> None:
    assert set(answers.values()) == {row.code for row in TABLE}


def test_a_table_that_lacks_a_row_or_has_it_twice_would_be_found() -> None:
    visits = list(every_visit())
    for gone in ("as-planned", "maintain"):
        left = tuple(row for row in TABLE if row.code != gone)
        assert any(len(rows_for(visit, left)) == 0 for visit in visits)
    twice = (*TABLE, replace(TABLE[-1], code="twice"))
    assert any(len(rows_for(visit, twice)) == 2 for visit in visits)


def test_every_row_says_what_was_found_what_to_do_and_on_whose_word() -> None:
    for row in TABLE:
        assert row.says.endswith("."), row.code
        assert row.do.endswith((".", "?")), row.code
        assert row.source, row.code


def test_an_emergency_stops_whatever_else_there_is(answers: dict[Visit, str]) -> None:
    found = {row for visit, row in answers.items() if visit.alarm is Alarm.EMERGENCY}
    assert found == {"emergency"}


def test_a_pregnancy_turns_back_and_a_rule_stops_before_anything_but_an_emergency(
    answers: dict[Visit, str],
) -> None:
    by_alarm = {
        alarm: {row for visit, row in answers.items() if visit.alarm is alarm}
        for alarm in (Alarm.PREGNANCY, Alarm.RULE)
    }
    assert by_alarm == {Alarm.PREGNANCY: {"pregnancy"}, Alarm.RULE: {"stop-rule"}}


def test_hormone_rises_for_no_visit_with_a_sign_of_too_much(answers: dict[Visit, str]) -> None:
    by_code = {row.code: row for row in TABLE}
    lowering = {LabReading.LOW, LabReading.VERY_LOW}
    for visit, code in answers.items():
        if visit.labs in LOW and visit.too_fast is TooFast.PALPITATIONS:
            row = by_code[code]
            rises = row.act in {Act.CONTINUE, Act.SLOW_DOWN} or (
                row.act is Act.BRANCH and decide(visit, TABLE).reading not in lowering
            )
            assert not rises, visit


def test_no_dose_comes_down_for_symptoms_with_a_high_tsh(answers: dict[Visit, str]) -> None:
    acts = Counter(
        decide(visit, TABLE).act
        for visit in answers
        if visit.labs in HIGH and visit.too_fast is not TooFast.NONE and visit.alarm is Alarm.NONE
    )
    assert Act.STEP_BACK not in acts
    assert Act.BRANCH not in acts
    assert Act.SLOW_DOWN not in acts


def test_nothing_goes_on_without_labs_that_are_overdue(answers: dict[Visit, str]) -> None:
    for visit, code in answers.items():
        if visit.labs is LabsSay.OVERDUE:
            act = decide(visit, TABLE).act
            slower = code == "jitters-first"  # waits for no labs: the climb that is left is slower
            assert act not in {Act.CONTINUE, Act.BRANCH} or slower, visit


def test_a_branch_is_taken_only_for_labs_that_speak_of_the_dose(
    answers: dict[Visit, str],
) -> None:
    for visit in answers:
        decision = decide(visit, TABLE)
        if decision.act is Act.BRANCH:
            assert visit.labs.reading or visit.labs in LOW, visit
            assert visit.position is not Position.CLIMB, visit
            assert decision.reading is not None
        else:
            assert decision.reading is None


@pytest.mark.parametrize(
    ("labs", "row", "act"),
    [
        (LabsSay.NONE, "as-planned", Act.CONTINUE),
        (LabsSay.EARLY, "as-planned", Act.CONTINUE),
        (LabsSay.IN_RANGE, "as-planned", Act.CONTINUE),
        (LabsSay.HIGH, "as-planned", Act.CONTINUE),
        (LabsSay.EARLY_LOW, "low-on-the-way", Act.HOLD),
        (LabsSay.EARLY_SUPPRESSED, "suppressed-on-the-way", Act.STEP_BACK),
        (LabsSay.EARLY_VERY_HIGH, "very-high-on-the-way", Act.CONTINUE),
        (LabsSay.HIGH_FREE_T3, "both-high-on-the-way", Act.HOLD),
        (LabsSay.OVERDUE, "overdue", Act.HOLD),
        (LabsSay.UNREADABLE, "labs-unreadable", Act.HOLD),
        (LabsSay.INCOMPLETE, "labs-incomplete", Act.HOLD),
        (LabsSay.DISAGREEING, "labs-disagree", Act.ASK),
        (LabsSay.SPECIALIST, "labs-for-specialist", Act.ASK),
    ],
)
def test_on_the_way_labs_hold_or_step_back_and_never_raise(
    labs: LabsSay, row: str, act: Act
) -> None:
    assert answered(replace(CLIMB, labs=labs)) == (row, act)


def test_a_tsh_far_above_the_range_on_the_way_keeps_the_old_medicine_as_it_is() -> None:
    decision = decide(replace(CLIMB, labs=LabsSay.EARLY_VERY_HIGH), TABLE)
    assert decision.freeze_old
    assert not decide(CLIMB, TABLE).freeze_old


@pytest.mark.parametrize("reading", list(LabReading))
def test_at_the_checkpoint_the_labs_choose_their_own_branch(reading: LabReading) -> None:
    decision = decide(replace(WAITING, labs=LabsSay(reading.value)), TABLE)
    assert (decision.row, decision.act) == ("labs-decide", Act.BRANCH)
    assert decision.reading is reading


@pytest.mark.parametrize("position", [Position.NONE, Position.AFTER, Position.MAINTENANCE])
@pytest.mark.parametrize("reading", list(LabReading))
def test_past_the_checkpoint_and_without_a_plan_too(
    position: Position, reading: LabReading
) -> None:
    decision = decide(Visit(position, labs=LabsSay(reading.value)), TABLE)
    assert (decision.row, decision.reading) == ("labs-adjust", reading)


@pytest.mark.parametrize(
    ("visit", "row", "act"),
    [
        (replace(CLIMB, labs=LabsSay.EARLY_LOW), "palpitations-low-climb", Act.STEP_BACK),
        (replace(CLIMB, labs=LabsSay.EARLY), "palpitations-in-range-climb", Act.HOLD),
        (replace(CLIMB, labs=LabsSay.EARLY_VERY_HIGH), "palpitations-high", Act.ASK),
        (replace(CLIMB, labs=LabsSay.NONE), "palpitations-no-labs", Act.HOLD),
        (replace(WAITING, labs=LabsSay.LOW), "palpitations-low", Act.BRANCH),
        (replace(WAITING, labs=LabsSay.IN_RANGE), "palpitations-in-range", Act.BRANCH),
        (replace(WAITING, labs=LabsSay.HIGH), "palpitations-high", Act.ASK),
        (replace(WAITING, labs=LabsSay.EARLY), "palpitations-no-labs-yet", Act.HOLD),
    ],
)
def test_palpitations_are_read_beside_tsh(visit: Visit, row: str, act: Act) -> None:
    assert answered(replace(visit, too_fast=TooFast.PALPITATIONS)) == (row, act)


def test_palpitations_with_a_low_tsh_ask_for_the_larger_step_back() -> None:
    visit = replace(WAITING, labs=LabsSay.LOW, too_fast=TooFast.PALPITATIONS)
    assert decide(visit, TABLE).reading is LabReading.VERY_LOW


@pytest.mark.parametrize(
    ("before", "row", "act"),
    [
        (Before.NOT, "jitters-first", Act.SLOW_DOWN),
        (Before.ONCE, "jitters-still", Act.HOLD),
        (Before.OFTEN, "jitters-again", Act.ASK),
    ],
)
def test_jitters_slow_the_climb_once_then_hold_then_ask(before: Before, row: str, act: Act) -> None:
    assert answered(replace(CLIMB, too_fast=TooFast.JITTERS, before=before)) == (row, act)


def test_jitters_with_a_low_tsh_are_answered_by_the_labs() -> None:
    assert answered(replace(WAITING, too_fast=TooFast.JITTERS, labs=LabsSay.LOW)) == (
        "labs-decide",
        Act.BRANCH,
    )


@pytest.mark.parametrize(
    ("taking", "row", "act"),
    [
        (DosesTaken.MISSED, "missed", Act.HOLD),
        (DosesTaken.GAP, "gap", Act.HOLD),
        (DosesTaken.STOPPED, "stopped", Act.ASK),
    ],
)
def test_what_was_not_taken_raises_nothing_and_no_labs_are_read_for_it(
    taking: DosesTaken, row: str, act: Act
) -> None:
    for labs in (LabsSay.NONE, LabsSay.HIGH, LabsSay.IN_RANGE):
        assert answered(replace(WAITING, taking=taking, labs=labs)) == (row, act)


def test_missed_days_explain_no_low_tsh() -> None:
    assert answered(replace(WAITING, taking=DosesTaken.MISSED, labs=LabsSay.LOW)) == (
        "labs-decide",
        Act.BRANCH,
    )


@pytest.mark.parametrize(
    ("visit", "row", "act"),
    [
        (replace(CLIMB, schedule=Lateness.BEHIND), "behind", Act.CONTINUE),
        (replace(CLIMB, schedule=Lateness.AHEAD), "ahead", Act.HOLD),
        (replace(CLIMB, stock=Stock.OUT), "out-of-stock", Act.CONTINUE),
        (WAITING, "await-labs", Act.CONTINUE),
        (Visit(Position.AFTER), "await-labs", Act.CONTINUE),
        (Visit(Position.MAINTENANCE), "maintain", Act.CONTINUE),
        (Visit(Position.NONE), "maintain", Act.CONTINUE),
        (replace(WAITING, labs=LabsSay.EARLY), "early", Act.CONTINUE),
        (replace(WAITING, labs=LabsSay.EARLY_LOW), "low-early", Act.CONTINUE),
        (replace(WAITING, labs=LabsSay.EARLY_VERY_HIGH), "very-high-early", Act.CONTINUE),
        (Visit(Position.NONE, labs=LabsSay.EARLY), "early-without-plan", Act.HOLD),
        (Visit(Position.NONE, labs=LabsSay.EARLY_LOW), "low-early-without-plan", Act.HOLD),
        (replace(WAITING, labs=LabsSay.EARLY_SUPPRESSED), "suppressed-early", Act.STEP_BACK),
        (
            Visit(Position.AFTER, labs=LabsSay.EARLY_SUPPRESSED),
            "suppressed-soon-after",
            Act.CONTINUE,
        ),
        (Visit(Position.NONE, labs=LabsSay.OVERDUE), "overdue", Act.HOLD),
    ],
)
def test_where_nothing_speaks_against_it_the_plan_goes_on(visit: Visit, row: str, act: Act) -> None:
    assert answered(visit) == (row, act)


def test_a_hold_for_labs_lasts_until_them_and_any_other_so_many_days() -> None:
    assert decide(Visit(Position.NONE, labs=LabsSay.EARLY), TABLE).hold_days is None
    assert decide(replace(WAITING, labs=LabsSay.OVERDUE), TABLE).hold_days == 14


@pytest.mark.parametrize(
    ("reasons", "act"),
    [
        ((), Act.HOLD),
        (("palpitations",), Act.HOLD),
        (("overdue",), Act.ASK),
        (("overdue", "palpitations", "overdue"), Act.ASK),
    ],
)
def test_a_second_hold_for_one_reason_asks(reasons: tuple[str, ...], act: Act) -> None:
    assert decide_again(replace(WAITING, labs=LabsSay.OVERDUE), reasons, TABLE).act is act


def test_a_hold_for_another_row_of_the_same_reason_counts() -> None:
    visit = replace(CLIMB, too_fast=TooFast.PALPITATIONS)
    early = replace(visit, labs=LabsSay.EARLY)
    reason = decide(visit, TABLE).reason
    assert decide_again(early, (reason,), TABLE).row == "palpitations-in-range-climb-again"


def test_every_hold_asks_the_second_time_or_the_third() -> None:
    holding = {row.reason for row in TABLE if row.act is Act.HOLD}
    asking = {row.reason for row in TABLE if row.act is Act.ASK and "before" in row.when}
    assert holding <= asking


def test_the_stages_stand_in_the_order_of_precedence() -> None:
    assert list(dict.fromkeys(row.stage for row in TABLE)) == list(Precedence)
