"""Several instructions of one medicine: which dose holds on which day, and what leaves it open.

HL7, FHIR R4, `Dosage.sequence`: instructions of one number are concurrent, those of different
numbers follow one another. `Period` holds its last day.
"""

from datetime import date, timedelta
from fractions import Fraction

import pytest
from tests.unit.reading.records import (
    AS_OF,
    DAILY,
    LT4,
    ONE,
    Json,
    asked,
    dosage,
    doses,
    read,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.record import Record


def on(day: int) -> str:
    """A day counted from the day of reading, as FHIR writes it."""
    return (AS_OF + timedelta(day)).isoformat()


def step(
    ug: int, first: int | None, last: int | None, sequence: int | None, **timing: object
) -> Json:
    ends = {"start": first, "end": last}
    bounds = {name: on(day) for name, day in ends.items() if day is not None}
    repeat = {**DAILY["repeat"], **({"boundsPeriod": bounds} if bounds else {}), **timing}
    more = {} if sequence is None else {"sequence": sequence}
    return dosage(ucum(ug, "ug"), {"repeat": repeat}, **more)


CLIMB = step(25, -20, -7, 1), step(50, -6, 7, 2), step(75, 8, 60, 3)


def ordered(*steps: Json, **more: object) -> Json:
    return request(LT4, *steps, **{"authoredOn": on(-20)} | more)


def on_day(day: int, *resources: Json) -> Record:
    patient = {"resourceType": "Patient", "id": "p1"}
    entries = [{"resource": resource} for resource in (patient, *resources)]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    return read_bundle(bundle, FhirVersion.R4, AS_OF + timedelta(day))


@pytest.mark.parametrize(("day", "ug"), [(-20, 25), (-7, 25), (-6, 50), (7, 50), (8, 75), (60, 75)])
def test_the_dose_of_a_day_is_that_of_the_instruction_which_holds_it(day: int, ug: int) -> None:
    record = on_day(day, ordered(*CLIMB))
    assert asked(record) == []
    assert record.regimen.t4_ug == ug


@pytest.mark.parametrize("day", [-21, 61])
def test_before_and_after_all_of_them_nothing_is_taken(day: int) -> None:
    assert on_day(day, ordered(*CLIMB)).regimen.lines == ()


def test_their_order_in_the_list_means_nothing() -> None:
    assert read(ordered(*reversed(CLIMB))).regimen.t4_ug == 50


def test_each_dose_keeps_its_own_days() -> None:
    (entry,) = read(ordered(*CLIMB)).current
    assert [(s.first_day, s.last_day, [line.daily for line in s.lines]) for s in entry.spans] == [
        (-20, -7, [25]), (-6, 7, [50]), (8, 60, [75]),
    ]  # fmt: skip
    assert (entry.first_day, entry.last_day, entry.since) == (-20, 60, -6)


@pytest.mark.parametrize(("day", "ago"), [(-20, 0), (-7, 13), (-6, 0), (7, 13), (8, 0), (60, 52)])
def test_a_dose_has_been_taken_since_its_own_instruction_began(day: int, ago: int) -> None:
    assert on_day(day, ordered(*CLIMB)).facts.regimen_changed_days_ago == ago


def test_the_same_dose_in_two_instructions_is_no_change() -> None:
    record = read(ordered(step(50, -20, -7, 1), step(50, -6, 60, 2)))
    assert record.facts.regimen_changed_days_ago == 20


def test_a_dose_that_an_order_over_by_now_ended_with_is_no_change() -> None:
    over = ordered(step(25, -60, -41, 1), step(50, -40, -7, 2), id="r0")
    record = read(over, ordered(step(50, -6, 60, 1)))
    assert record.facts.regimen_changed_days_ago == 40


def test_of_an_order_that_is_over_the_last_dose_counts_and_never_their_sum() -> None:
    (past,) = on_day(70, ordered(*CLIMB)).past
    assert [line.daily for line in past.lines] == [75]


def test_of_an_order_that_was_stopped_midway_the_dose_of_today_counts() -> None:
    (past,) = read(ordered(*CLIMB, status="stopped")).past
    assert [line.daily for line in past.lines] == [50]


def test_of_an_order_that_begins_later_the_doses_stand_apart() -> None:
    (ahead,) = on_day(-30, ordered(*CLIMB)).ahead
    assert [[line.daily for line in span.lines] for span in ahead.spans] == [[25], [50], [75]]


OVERLAPPING = step(25, -20, 2, 1), step(50, -6, 60, 2)
GAP = step(25, -20, -7, 1), step(50, 8, 60, 2)
UNDATED: dict[str, tuple[Json, ...]] = {
    "none has dates": (step(25, None, None, 1), step(50, None, None, 2)),
    "the first has none": (step(25, None, None, 1), step(50, 8, 60, 2)),
    "the last has none": (step(25, -20, 7, 1), step(50, None, None, 2)),
}


@pytest.mark.parametrize(("day", "ug"), [(-7, 25), (-6, None), (0, None), (2, None), (3, 50)])
def test_on_days_on_which_instructions_meet_it_is_asked_which_holds(
    day: int, ug: int | None
) -> None:
    record = on_day(day, ordered(*OVERLAPPING))
    assert asked(record) == ([] if ug else [f"{ONE}.dosageInstruction"])
    assert record.regimen.t4_ug == (ug or 0)


@pytest.mark.parametrize(("day", "ug"), [(-7, 25), (-6, None), (7, None), (8, 50)])
def test_on_days_between_instructions_it_is_asked_what_is_taken(day: int, ug: int | None) -> None:
    record = on_day(day, ordered(*GAP))
    assert asked(record) == ([] if ug else [ONE])
    assert record.regimen.t4_ug == (ug or 0)


@pytest.mark.parametrize("steps", UNDATED.values(), ids=UNDATED.keys())
def test_numbered_instructions_without_dates_are_asked_about(steps: tuple[Json, ...]) -> None:
    record = read(ordered(*steps))
    assert asked(record) == [f"{ONE}.dosageInstruction"]
    assert record.regimen.lines == ()


@pytest.mark.parametrize("sequence", [None, 1])
def test_overlapping_dates_of_one_number_are_asked_about_too(sequence: int | None) -> None:
    record = read(ordered(step(25, -20, 2, sequence), step(50, -6, 60, sequence)))
    assert asked(record) == [f"{ONE}.dosageInstruction"]


def test_different_numbers_on_the_same_dates_contradict_each_other() -> None:
    assert asked(read(ordered(step(25, -6, 60, 1), step(50, -6, 60, 2)))) == [
        f"{ONE}.dosageInstruction"
    ]


def test_times_of_day_on_the_same_dates_are_taken_together() -> None:
    morning, bedtime = (step(ug, -6, 60, 1, when=[when]) for ug, when in ((50, "MORN"), (25, "HS")))
    record = read(ordered(morning, bedtime))
    assert (asked(record), record.regimen.t4_ug) == ([], 75)


def test_where_today_is_sure_and_another_day_is_not_the_dose_counts_since_its_own_day() -> None:
    record = on_day(20, ordered(*GAP))
    assert record.facts.regimen_changed_days_ago == 12
    assert [s.first_day for s in record.current[0].spans] == [-12]


def test_a_statement_is_read_by_the_same_dates() -> None:
    record = read(statement(LT4, *CLIMB))
    assert doses(record) == [("levothyroxine", ["50"])]


@pytest.mark.parametrize("steps", [OVERLAPPING, GAP], ids=["they meet", "days between"])
def test_a_draft_whose_instructions_meet_or_leave_days_between_them_is_asked_about(
    steps: tuple[Json, ...],
) -> None:
    record = read(statement(LT4, dosage(ucum(100, "ug"))), ordered(*steps, status="draft"))
    assert asked(record) == ["Bundle.entry[2].resource.dosageInstruction"]


def test_a_draft_may_say_how_long_each_dose_lasts() -> None:
    def lasting(ug: int, days: int, sequence: int) -> Json:
        fortnight = {**ucum(days, "d"), "value": days}
        return step(ug, None, None, sequence, boundsDuration=fortnight)

    draft = ordered(lasting(25, 14, 1), lasting(50, 28, 2), status="draft")
    record = read(statement(LT4, dosage(ucum(100, "ug"))), draft)
    (entry,) = record.drafts
    assert [(s.first_day, s.last_day) for s in entry.spans] == [(0, 13), (14, 41)]


@pytest.mark.parametrize(("stopped_on", "doubt"), [(-21, False), (-20, False), (-19, True)])
def test_that_a_later_instruction_has_begun_takes_back_no_word_that_it_was_stopped(
    stopped_on: int, doubt: bool
) -> None:
    said = statement(
        LT4, dosage(ucum(25, "ug")), status="stopped", dateAsserted=on(stopped_on),
        effectivePeriod={"start": on(-300), "end": on(stopped_on)},
    )  # fmt: skip
    record = read(ordered(*CLIMB), said)
    assert any("Is it taken now?" in q.question for q in record.questions) is doubt


def test_nothing_is_ever_added_up_over_time() -> None:
    for day in range(-25, 65):
        total = on_day(day, ordered(*CLIMB)).regimen.t4_ug
        assert total in {Fraction(0), Fraction(25), Fraction(50), Fraction(75)}, date.isoformat(
            AS_OF + timedelta(day)
        )
