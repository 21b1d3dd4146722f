"""The period of a whole order in R5, read as the bounds of its dosages are.

HL7, FHIR R5, ``MedicationRequest.effectiveDosePeriod``: "The period over which the medication is to
be taken. Where there are multiple dosageInstruction lines (for example, tapering doses), this is
the earliest date and the latest end date of the dosageInstructions." The record is read on
2026-03-20.
"""

from typing import Any

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    DAILY,
    LT4,
    ONE,
    PREPARATIONS,
    THYROID,
    Json,
    asked,
    bundle,
    dosage,
    doses,
    read,
    read_bundle,
    request,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.posing import posed_in
from crossgrain.reading.reader import doses_by_date, read_course
from crossgrain.reading.record import Record
from crossgrain.screening.course import Undecided

PERIOD = f"{ONE}.effectiveDosePeriod"
DOSE = dosage(ucum(100, "ug"))
IN_WORDS = {"text": "Take 100 micrograms by mouth daily"}
LOOK: dict[str, Any] = {
    "version": FhirVersion.R5, "as_of": AS_OF, "codes": CODES, "preparations": PREPARATIONS,
}  # fmt: skip


def days(start: str | None = None, end: str | None = None) -> Json:
    return {key: day for key, day in (("start", start), ("end", end)) if day}


def bounded(period: Json, dose: int = 100, **more: object) -> Json:
    return dosage(ucum(dose, "ug"), {"repeat": {**DAILY["repeat"], "boundsPeriod": period}}, **more)


def at(when: str, dose: int) -> Json:
    return dosage(ucum(dose, "ug"), {"repeat": {**DAILY["repeat"], "when": [when]}})


def order(period: Json | None, *dosages: Json, medicine: Json = LT4, **more: object) -> Json:
    """An order of R5 that says over which days its medicine is to be taken."""
    made = request(medicine, *(dosages or (DOSE,)), **more)
    made["medication"] = {"concept": made.pop("medicationCodeableConcept")}
    return {**made, "effectiveDosePeriod": period} if period is not None else made


def read_r5(*orders: Json) -> Record:
    return read(*orders, version=FhirVersion.R5)


PERIODS: dict[str, tuple[Json, str]] = {
    "since a day": (days("2025-06-01"), "taken"),
    "until today": (days("2025-06-01", "2026-03-20"), "taken"),
    "until some day of this month": (days("2025", "2026-03"), "taken"),
    "until yesterday": (days("2025-06-01", "2026-03-19"), "past"),
    "an end alone that is over": (days(None, "2026-02-15"), "past"),
    "from tomorrow": (days("2026-03-21"), "ahead"),
}


@pytest.mark.parametrize(("period", "stands"), PERIODS.values(), ids=PERIODS.keys())
@pytest.mark.parametrize("dosages", [(DOSE,), (at("MORN", 60), at("HS", 40)), (IN_WORDS,)])
def test_the_period_of_an_order_says_whether_it_is_taken(
    period: Json, stands: str, dosages: tuple[Json, ...]
) -> None:
    record = read_r5(order(period, *dosages))
    assert record.questions == ()
    assert record.regimen.t4_ug == (100 if stands == "taken" else 0)
    assert [entry.path for entry in record.past] == ([ONE] if stands == "past" else [])
    assert [entry.path for entry in record.ahead] == ([ONE] if stands == "ahead" else [])


@pytest.mark.parametrize("period", [days("2025-06-01"), days("2025-06-01", "2026-03-19")])
def test_the_period_of_an_order_is_read_as_the_bounds_of_its_dosage_are(period: Json) -> None:
    by_order, by_dosage = read_r5(order(period)), read_r5(order(None, bounded(period)))
    for record in (by_order, by_dosage):
        (entry,) = record.current or record.past
        assert (entry.first_day, entry.last_day, entry.spans) == (
            -292, -1 if "end" in period else None, (),
        )  # fmt: skip
    assert by_order.confirm == by_dosage.confirm == ()


def test_of_two_orders_the_one_whose_period_holds_today_is_taken() -> None:
    record = read_r5(
        order(days("2022-01-01", "2026-04-30"), authoredOn="2025-12-01"),
        order(days("2026-05-01"), bounded(days("2026-05-01"), 125), id="r2"),
    )
    assert doses(record) == [("levothyroxine", ["100"])]
    assert asked(record) == []


def test_a_draft_begins_and_ends_with_its_period() -> None:
    (draft,) = read_r5(order(days("2026-04-01", "2026-04-30"), status="draft")).drafts
    assert (draft.first_day, draft.last_day) == (12, 41)


def test_words_that_date_the_dose_are_held_against_the_period() -> None:
    words = {"text": "100 micrograms daily from 1 March 2026 to 31 May 2026"}
    within = order(days("2026-03-01", "2026-05-31"), {**DOSE, **words})
    assert read_r5(within).questions == ()
    assert asked(read_r5(order(days("2026-03-01", "2026-06-30"), {**DOSE, **words})))


SINCE_JUNE = bounded(days("2025-06-01"))
CONTRADICTED: dict[str, Json] = {
    "its dosage goes on after it": order(days("2025-06-01", "2026-02-15"), SINCE_JUNE),
    "its dosage is over before it": order(
        days("2025-06-01"), bounded(days("2025-06-01", "2026-02-15"))
    ),
    "its dosage begins before it": order(days("2026-04-01"), bounded(days("2026-01-05"))),
    "its dosage begins after it": order(days("2026-01-05"), bounded(days("2026-04-01"))),
}


@pytest.mark.parametrize("resource", CONTRADICTED.values(), ids=CONTRADICTED.keys())
def test_a_period_that_gainsays_the_dosages_of_today_is_asked_about(resource: Json) -> None:
    record = read_r5(resource)
    assert asked(record) == [PERIOD]
    assert record.current == ()


@pytest.mark.parametrize("status", ["stopped", "on-hold", "completed", "ended", "cancelled"])
def test_of_an_order_that_was_given_up_a_contradiction_is_not_asked_about(status: str) -> None:
    record = read_r5(order(days(None, "2026-02-15"), SINCE_JUNE, status=status))
    assert record.questions == ()


OTHER_DAYS = [order(days("2025-06-01"), bounded(days("2026-03-01")))]


def test_other_days_than_those_of_the_dosages_are_to_be_confirmed_where_both_hold_today() -> None:
    same = order(days("2026-01-05", "2026-05-31"), bounded(days("2026-01-05", "2026-05-31")))
    assert read_r5(same).confirm == ()
    record = read_r5(OTHER_DAYS[0])
    assert doses(record) == [("levothyroxine", ["100"])]
    assert [each.expression for each in record.confirm] == [ONE]
    assert record.facts.regimen_changed_days_ago == 19  # the later of both: TSH waits


def test_steps_within_the_period_of_their_order_are_read_by_their_own_dates() -> None:
    record = read_r5(
        order(
            days("2026-01-05", "2026-06-30"),
            bounded(days("2026-01-05", "2026-02-28"), 50, sequence=1),
            bounded(days("2026-03-01", "2026-06-30"), 75, sequence=2),
        )
    )
    assert doses(record) == [("levothyroxine", ["75"])]
    assert (record.questions, record.confirm) == ((), ())


def test_steps_without_dates_are_still_asked_about() -> None:
    steps = dosage(ucum(50, "ug"), sequence=1), dosage(ucum(75, "ug"), sequence=2)
    assert asked(read_r5(order(days("2026-01-05"), *steps))) == [f"{ONE}.dosageInstruction"]


def test_over_time_an_order_holds_for_its_period() -> None:
    (intake,) = doses_by_date(bundle(order(days("2025-06-01", "2026-02-15"))), **LOOK)
    assert (intake.first_day, intake.last_day) == (-292, -33)


def test_a_switch_is_seen_though_both_orders_stand_as_active() -> None:
    """The period of the first order ends before that of the second begins."""
    before = order(days("2022-01-01", "2025-08-31"))
    after = order(
        days("2025-09-01"), dosage(ucum(60, "mg")), medicine=THYROID, id="r2",
        authoredOn="2025-09-01",
    )  # fmt: skip
    course = read_course(bundle(before, after), **LOOK)
    assert [(i.first_day, i.last_day, bool(i.doubt)) for i in course.intakes] == [
        (-1539, -201, False), (-200, None, False),
    ]  # fmt: skip


def test_over_time_a_period_that_gainsays_the_dosages_leaves_open_what_was_taken() -> None:
    doubtful = CONTRADICTED["its dosage goes on after it"]
    with pytest.raises(Undecided, match="its dosages"):
        doses_by_date(bundle(doubtful), **LOOK)


def test_the_dose_of_the_dosages_is_a_choice_and_settles_it() -> None:
    """Of an order whose period is over and whose dosage goes on."""
    held = bundle(CONTRADICTED["its dosage goes on after it"])
    form = posed_in(held, read_bundle(held, FhirVersion.R5).questions, **LOOK)
    (posed,) = form.posed
    assert [choice.code for choice in posed.choices] == [
        "levothyroxine_100",
        "not-taken",
        "otherwise",
    ]
    (written,) = posed.choices[0].change.resources.values()
    assert written is not None
    record = read_r5(written)
    assert doses(record) == [("levothyroxine", ["100"])]
    assert (record.questions, record.confirm, record.current[0].first_day) == ((), (), -292)
