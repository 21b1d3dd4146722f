"""From a FHIR record to a course: which medicines, from when until when, and what stays open."""

from dataclasses import replace
from typing import Any

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    DAILY,
    LT3,
    LT4_100,
    PATIENT,
    PREPARATIONS,
    SUBJECT,
    THYROID_60,
    Json,
    dosage,
    ucum,
)
from tests.unit.screening.records import NEW, OLD, STILL, day, order, read

from crossgrain.dosing.preparations import Kind
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.reader import read_course
from crossgrain.screening.course import Aim, End, Undecided

LOINC = "http://loinc.org"


def test_two_orders_give_two_dated_doses():
    first, second = read(OLD, NEW).intakes
    assert (first.kind, first.first_day, first.last_day) == (Kind.LEVOTHYROXINE, -500, -101)
    assert (second.kind, second.first_day, second.end) == (
        Kind.DESICCATED_THYROID, -100, End.OPEN,
    )  # fmt: skip
    assert first.reference == "MedicationRequest/old"


def test_one_kind_of_preparation_is_no_switch_and_nothing_is_read_of_it():
    assert read(OLD, order("o2", LT4_100, {"value": "text"}, -100)).intakes == ()


@pytest.mark.parametrize(
    "change",
    [
        {"status": "cancelled"},
        {"status": "entered-in-error"},
        {"status": "draft"},
        {"intent": "proposal"},
        {"intent": "option"},
        {"doNotPerform": True},
    ],
)
def test_what_was_never_taken_makes_no_switch(change):
    assert read(STILL, {**NEW, **change}).intakes == ()


def test_a_climb_in_one_order_gives_its_steps_one_after_the_other():
    steps = [
        order("x", THYROID_60, ucum(dose, "mg"), first, last)["dosageInstruction"][0]
        for dose, first, last in ((15, -100, -87), (30, -86, -73), (60, -72, 200))
    ]
    climb = {**NEW, "dosageInstruction": steps}
    found = [i for i in read(OLD, climb).intakes if i.kind is Kind.DESICCATED_THYROID]
    assert [(i.first_day, i.last_day, float(i.lines[0].daily)) for i in found] == [
        (-100, -87, 15.0), (-86, -73, 30.0), (-72, 200, 60.0),
    ]  # fmt: skip


def test_a_step_that_lies_ahead_is_not_taken_yet():
    steps = [
        order("x", THYROID_60, ucum(dose, "mg"), first, last)["dosageInstruction"][0]
        for dose, first, last in ((30, -30, 5), (60, 6, 90))
    ]
    found = read(OLD, {**NEW, "dosageInstruction": steps}).intakes
    assert [float(i.lines[0].daily) for i in found] == [100.0, 30.0]


def in_one_order(*steps: tuple[int, int, int | None], **more: Any) -> Json:
    """One order for thyroid, its doses numbered, each from one day to another."""
    dosages = [
        order("x", THYROID_60, ucum(mg, "mg"), first, last)["dosageInstruction"][0]
        | {"sequence": number}
        for number, (mg, first, last) in enumerate(steps, start=1)
    ]
    return {**NEW, "dosageInstruction": dosages, **more}


def thyroid(*resources: Json) -> list[tuple[int, int | None, float | str]]:
    """When which dose of thyroid was taken, or why that is in doubt."""
    return [
        (i.first_day, i.last_day, i.doubt or float(i.lines[0].daily))
        for i in read(OLD, *resources).intakes
        if i.kind is Kind.DESICCATED_THYROID
    ]


def test_days_on_which_the_doses_of_one_order_meet_are_in_doubt_and_never_their_sum():
    found = thyroid(in_one_order((15, -100, -80), (30, -90, -50), (60, -49, None)))
    assert found[:3] == [(-100, -80, 15.0), (-90, -50, 30.0), (-49, None, 60.0)]
    ((first, last, why),) = found[3:]
    assert (first, last) == (-90, -80)
    assert "overlap" in why


def test_days_between_the_doses_of_one_order_are_in_doubt():
    found = thyroid(in_one_order((15, -100, -80), (30, -60, None)))
    ((first, last, why),) = found[2:]
    assert (first, last) == (-79, -61)
    assert "leave days between" in why


@pytest.mark.parametrize(("ends", "sure"), [(-81, True), (-80, True), (-79, False)])
def test_a_dose_that_ends_on_the_day_on_which_the_next_begins_ended_the_day_before(ends, sure):
    found = thyroid(in_one_order((15, -100, ends), (30, -80, None)))
    assert (found == [(-100, -81, 15.0), (-80, None, 30.0)]) is sure


def test_of_an_order_stopped_on_a_day_not_told_the_dose_of_today_ended_some_time():
    stopped = in_one_order((15, -100, -51), (30, -50, 20), (45, 21, 60), status="stopped")
    _, dose = (i for i in read(OLD, stopped).intakes if i.kind is Kind.DESICCATED_THYROID)
    assert (dose.first_day, dose.end, float(dose.lines[0].daily)) == (-50, End.UNDATED, 30.0)


def restating(mg: int, first: int, last: int | None = None) -> Json:
    """A statement of one dose that was made from the order."""
    ends = {"start": day(first), **({} if last is None else {"end": day(last)})}
    return {
        "resourceType": "MedicationStatement",
        "id": "s",
        "status": "active",
        "subject": SUBJECT,
        "medicationCodeableConcept": THYROID_60,
        "effectivePeriod": ends,
        "derivedFrom": [{"reference": "MedicationRequest/new"}],
        "dosage": [dosage(ucum(mg, "mg"))],
    }


STEPS = (15, -100, -51), (30, -50, -21), (60, -20, 60)


@pytest.mark.parametrize(
    ("mg", "first", "agrees"),
    [(60, -20, True), (60, -19, True), (60, -21, False), (30, -20, False)],
)
def test_a_statement_of_one_dose_is_held_against_its_order_by_date(mg, first, agrees):
    found = thyroid(in_one_order(*STEPS), restating(mg, first))
    if agrees:
        assert found == [(first, last, float(dose)) for dose, first, last in STEPS]
    else:
        assert any("an order of another dose" in str(why) for *_, why in found)


def test_an_order_that_is_over_without_an_end_says_so():
    bare = {**OLD, "dosageInstruction": [{**OLD["dosageInstruction"][0], "timing": DAILY}]}
    first, _ = read(bare, NEW).intakes
    assert (first.end, first.last_day) == (End.UNDATED, None)


def test_a_medicine_without_a_beginning_is_undecided():
    undated = {**NEW, "dosageInstruction": [{**NEW["dosageInstruction"][0], "timing": DAILY}]}
    del undated["authoredOn"]
    with pytest.raises(Undecided, match="since when") as raised:
        read(OLD, undated)
    assert raised.value.references == ("MedicationRequest/new",)


def test_a_medicine_of_unknown_status_is_undecided():
    with pytest.raises(Undecided, match="not known"):
        read(OLD, {**NEW, "status": "unknown"})


def test_a_medicine_without_a_name_is_undecided():
    nameless = {k: v for k, v in NEW.items() if k != "medicationCodeableConcept"}
    with pytest.raises(Undecided, match="may be thyroid hormone"):
        read(OLD, nameless)
    medication = {"resourceType": "Medication", "id": "m1", "ingredient": [{}]}
    with pytest.raises(Undecided, match="may be thyroid hormone"):
        read(OLD, {**nameless, "medicationReference": {"reference": "Medication/m1"}}, medication)


@pytest.mark.parametrize(
    "said",
    [
        [{"text": "as directed"}],
        [],
        [dosage(ucum(60, "mg"), asNeededBoolean=True)],
        [dosage(ucum(6000, "mg"))],
    ],
)  # fmt: skip
def test_a_dose_that_cannot_be_read_is_in_doubt_and_never_guessed(said):
    _, new = read(OLD, {**NEW, "dosageInstruction": said}).intakes
    assert new.doubt
    assert new.lines == ()


def test_a_past_dose_is_in_doubt_where_a_note_says_another():
    """Judged by the code alone, half the dose would pass for the whole and the switch for safe."""
    _, new = read(OLD, {**NEW, "note": [{"text": "Take every other day."}]}).intakes
    assert "every other day" in new.doubt
    assert new.lines == ()


def test_a_dose_read_from_text_says_so():
    words = [{"text": "take 60 mg by mouth once daily"}]
    _, new = read(OLD, {**NEW, "dosageInstruction": words}).intakes
    assert new.from_text


class TestAStatementMadeFromAnOrder:
    def statement(self, mg: int) -> Json:
        return {
            "resourceType": "MedicationStatement",
            "id": "s",
            "status": "active",
            "subject": SUBJECT,
            "medicationCodeableConcept": THYROID_60,
            "effectivePeriod": {"start": day(-100)},
            "dateAsserted": day(-10),
            "derivedFrom": [{"reference": "MedicationRequest/new"}],
            "dosage": [{"timing": DAILY, "doseAndRate": [{"doseQuantity": ucum(mg, "mg")}]}],
        }

    def test_of_the_same_dose_is_counted_once(self):
        found = read(OLD, NEW, self.statement(60)).intakes
        assert [i.reference for i in found] == ["MedicationRequest/old", "MedicationStatement/s"]

    def test_of_another_dose_is_in_doubt(self):
        found = read(OLD, NEW, self.statement(90)).intakes
        assert [bool(i.doubt) for i in found] == [False, False, True]


def test_an_order_names_what_it_replaces_and_its_group():
    newer = {
        **NEW,
        "priorPrescription": {"reference": "MedicationRequest/old/_history/3"},
        "groupIdentifier": {"system": "s", "value": "v"},
    }
    _, new = read(OLD, newer).intakes
    assert new.replaces == {"MedicationRequest/old"}
    assert new.group == "s|v"


def tsh(own_id: str, value: float | None, **more: Any) -> Json:
    quantity = {"valueQuantity": ucum(str(value), "m[IU]/L")} if value is not None else {}
    return {
        "resourceType": "Observation",
        "id": own_id,
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": "3016-3"}]},
        "subject": SUBJECT,
        "effectiveDateTime": day(-50),
        **quantity,
        **more,
    }


def test_a_result_leads_back_to_its_resource():
    (result,) = read(OLD, NEW, tsh("t", 9.5)).tsh
    assert (result.origin, result.day, float(result.value)) == ("Observation/t", -50, 9.5)


@pytest.mark.parametrize(
    ("observation", "unread"),
    [
        (tsh("t", None, valueString="high"), ("Observation/t",)),
        (tsh("t", None, valueQuantity=ucum(9, "mg")), ("Observation/t",)),
        (tsh("t", 9.5, effectiveDateTime="2025"), ("Observation/t",)),
        (tsh("t", 9.5, status="entered-in-error"), ()),
        (tsh("t", 9.5), ()),
    ],
)
def test_a_tsh_that_cannot_be_read_is_named(observation, unread):
    assert read(OLD, NEW, observation).unread_labs == unread


def condition(code: str, onset: int = -50, status: str = "active") -> Json:
    return {
        "resourceType": "Condition",
        "id": code,
        "subject": SUBJECT,
        "clinicalStatus": {"coding": [{"code": status}]},
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": code}]},
        "onsetDateTime": day(onset),
    }


@pytest.mark.parametrize(
    ("resource", "aims"),
    [
        (condition("82598004"), {Aim.CENTRAL}),
        (condition("77386006"), {Aim.PREGNANCY}),
        (condition("77386006", onset=-280), {Aim.PREGNANCY}),
        (condition("77386006", onset=-281), set()),
        (condition("77386006", status="resolved"), set()),
        (condition("40930008"), set()),
    ],
)
def test_what_sets_a_patient_apart_is_read_from_the_conditions(resource, aims):
    assert read(OLD, NEW, resource).aims == aims


def test_a_goal_of_suppression_is_read():
    goal = {
        "resourceType": "Goal",
        "id": "g",
        "lifecycleStatus": "active",
        "subject": SUBJECT,
        "description": {"text": "TSH suppression"},
    }
    assert read(OLD, NEW, goal).aims == {Aim.SUPPRESSION}


@pytest.mark.parametrize(("code", "frail"), [("49436004", True), ("40930008", False)])
def test_heart_disease_makes_frail(code, frail):
    assert read(OLD, NEW, condition(code)).frail is frail


def test_a_dispense_is_a_sign_and_no_dose():
    handed = {
        "resourceType": "MedicationDispense",
        "id": "d",
        "status": "completed",
        "subject": SUBJECT,
        "medicationCodeableConcept": LT3,
        "whenHandedOver": day(-20),
    }
    course = read(OLD, NEW, handed, {**handed, "id": "e", "status": "declined"})
    assert len(course.intakes) == 2
    assert [(d.kind, d.day, d.reference) for d in course.dispenses] == [
        (Kind.LIOTHYRONINE, -20, "MedicationDispense/d")
    ]


@pytest.mark.parametrize("said", [{"deceasedBoolean": True}, {"deceasedDateTime": "2026-01-01"}])
def test_the_dead_are_told_apart(said):
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": {**PATIENT, **said}}, {"resource": OLD}, {"resource": NEW}],
    }
    course = read_course(
        bundle, version=FhirVersion.R4, as_of=AS_OF, codes=CODES, preparations=PREPARATIONS
    )
    assert course == replace(course, deceased=True)


@pytest.mark.parametrize(
    ("changed", "element"),
    [
        ({"subject": {"reference": "Patient/other"}}, ".subject"),
        ({"medication": {"concept": THYROID_60}}, ""),  # the element of R5
        ({"status": "no-such"}, ".status"),
        ({"implicitRules": "urn:x"}, ".implicitRules"),
    ],
)
def test_a_record_that_is_not_one_patients_or_not_of_this_version_is_refused(changed, element):
    with pytest.raises(Unreadable) as refused:
        read(OLD, {**NEW, **changed})
    assert refused.value.expression == f"Bundle.entry[2].resource{element}"


def test_an_unread_order_of_another_kind_than_its_statement_is_not_dropped():
    unread = {"dosageInstruction": [{"text": "as directed"}], "dispenseRequest": {}}
    ordered = order("old", LT4_100, ucum(100, "ug"), -500, **unread)
    stated = {
        "resourceType": "MedicationStatement",
        "id": "new",
        "status": "active",
        "subject": SUBJECT,
        "medicationCodeableConcept": THYROID_60,
        "effectivePeriod": {"start": day(-100)},
        "dosage": [{"text": "as directed"}],
        "derivedFrom": [{"reference": "MedicationRequest/old"}],
    }
    taken = read(ordered, stated).intakes
    assert {i.kind for i in taken} == {Kind.LEVOTHYROXINE, Kind.DESICCATED_THYROID}
    assert all(i.doubt for i in taken)


@pytest.mark.parametrize(("first", "taken"), [(-1, True), (0, True), (1, False)])
def test_a_medicine_is_taken_from_its_first_day_on(first, taken):
    steps = [
        order("x", THYROID_60, ucum(dose, "mg"), *days)["dosageInstruction"][0]
        for dose, days in ((30, (-30, first - 1)), (60, (first, 90)))
    ]
    found = [i.first_day for i in read(OLD, {**NEW, "dosageInstruction": steps}).intakes]
    assert (first in found) is taken


def test_a_first_day_that_is_no_date_is_refused_by_its_place():
    steps = [
        order("x", THYROID_60, ucum(30, "mg"), -30, -10)["dosageInstruction"][0],
        order("x", THYROID_60, ucum(60, "mg"), -9)["dosageInstruction"][0],
    ]
    steps[1]["timing"]["repeat"]["boundsPeriod"]["start"] = "2026-02-30"
    with pytest.raises(Unreadable) as refused:
        read(OLD, {**NEW, "dosageInstruction": steps})
    assert refused.value.expression.startswith("Bundle.entry[2].resource.dosageInstruction")
