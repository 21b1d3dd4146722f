"""The invented EHR does with a filed answer what the FHIR specification says of its resources."""

from contextlib import suppress
from typing import Any

import pytest
from tests.properties.course.by_hand import settle
from tests.properties.course.chart import Chart, iso
from tests.properties.course.door import Json, Refused, service
from tests.properties.course.life import live
from tests.properties.course.patients import patient
from tests.properties.course.stepwise import Stepwise
from tests.properties.titration.grid import call_of
from tests.properties.titration.reading import Answer

OWN = next(
    made for made in (patient(5, n) for n in range(99)) if made.before.keys() == {("lt4", "MORN")}
)
TYPES = "http://terminology.hl7.org/CodeSystem/dose-rate-type"
REFERENCE = OWN.case.taken[0].reference


def order(name: str, micrograms: float, first: int, last: int, **more: Any) -> Json:
    coded = {"coding": [{"system": TYPES, "code": "ordered"}]}
    tablet = f"levothyroxine sodium {micrograms:g} microgram tablet"
    bounds = {"start": iso(first), "end": iso(last)}
    dosage = {
        "timing": {
            "repeat": {"boundsPeriod": bounds, "frequency": 1, "period": 1, "periodUnit": "d"}
        },
        "doseAndRate": [{"type": coded, "doseQuantity": {"value": 1, "code": "{tbl}"}}],
    }
    return {
        "resourceType": "MedicationRequest",
        "id": name,
        "intent": "proposal",
        "status": "draft",
        "basedOn": [{"reference": "urn:plan"}],
        "medicationCodeableConcept": {"text": tablet},
        "dosageInstruction": [dosage],
        "dispenseRequest": {"quantity": {"value": 1}, "expectedSupplyDuration": {"value": 1}},
        **more,
    }  # fmt: skip


def end(name: str, focus: str, day: int, **more: Any) -> Json:
    return {
        "resourceType": "Task",
        "id": name,
        "intent": "proposal",
        "status": "draft",
        "basedOn": [{"reference": "urn:plan"}],
        "code": {"coding": [{"code": "abort"}]},
        "focus": {"reference": focus},
        "restriction": {"period": {"start": iso(day), "end": iso(day)}},
        **more,
    }


def plan(name: str, **more: Any) -> Json:
    return {"resourceType": "CarePlan", "id": name, "intent": "proposal", "status": "draft", **more}


def filed(chart: Chart, day: int, *resources: Json) -> Chart:
    named = {"CarePlan": "urn:plan"}
    entries = [
        {"fullUrl": named.get(r["resourceType"], f"urn:{r['id']}"), "resource": r}
        for r in resources
    ]
    chart.file({"resourceType": "Bundle", "entry": entries}, day)
    return chart


def lt4(chart: Chart, day: int) -> float:
    return sum(amount for (medicine, _), amount in chart.doses(day).items() if medicine == "lt4")


def on(chart: Chart, day: int) -> dict[str, Json]:
    """The record of a day by ids."""
    return {entry["resource"]["id"]: entry["resource"] for entry in chart.record(day)["entry"]}


def begun() -> Chart:
    """From day 14 on 100 µg in the place of what was taken before, to day 55."""
    return filed(
        Chart(OWN), 0, plan("p1"), order("a", 100, 14, 55), end("t", REFERENCE, 14)
    )  # fmt: skip


def held(name: str, focus: str, today: int, by: int) -> Json:
    """An act that makes an order wait."""
    period = {"start": iso(today), "end": iso(by)}
    code = {"coding": [{"code": "suspend"}], "text": "Do not begin"}
    return end(name, focus, today, code=code, restriction={"period": period})


BEFORE = sum(OWN.before.values())


def test_a_medicine_from_before_is_taken_until_a_task_ends_it() -> None:
    chart = begun()
    assert [lt4(chart, day) for day in (0, 13, 14, 55)] == [BEFORE, BEFORE, 100, 100]


def test_once_all_orders_have_ended_the_last_dose_goes_on() -> None:
    assert lt4(begun(), 56) == lt4(begun(), 200) == 100


def test_what_an_answer_says_is_to_be_ordered_anew_goes_on_when_its_order_ends() -> None:
    def ended(*anew: str) -> list[float]:
        later = order("b", 5, 14, 90)
        later["medicationCodeableConcept"] = {"text": "liothyronine sodium 5 microgram tablet"}
        chart = filed(begun(), 20, later)
        chart.order_anew(anew)
        for day in range(50, 60):
            chart.renew(day)
        return [lt4(chart, day) for day in (55, 56, 59)]

    assert ended() == [100, 0, 0]
    assert ended("MedicationRequest/a") == [100, 100, 100]


def test_an_order_ends_where_another_that_names_it_as_prior_begins() -> None:
    prior = {"priorPrescription": {"reference": "MedicationRequest/a"}}
    chart = filed(begun(), 20, order("b", 75, 28, 90, **prior))
    assert [lt4(chart, day) for day in (27, 28, 60)] == [100, 75, 75]


def test_a_task_ends_an_order_that_has_begun_and_withdraws_one_that_has_not() -> None:
    chart = filed(begun(), 20, order("b", 75, 28, 90), end("u", "MedicationRequest/a", 28))
    chart = filed(chart, 24, end("v", "MedicationRequest/b", 24), order("c", 50, 28, 90))
    assert [lt4(chart, day) for day in (27, 28)] == [100, 50]
    status = {
        e["resource"].get("id"): e["resource"].get("status") for e in chart.record(30)["entry"]
    }
    assert (status["a"], status["b"], status["c"]) == ("stopped", "cancelled", "active")


@pytest.mark.parametrize("status", ["on-hold", "cancelled"])
def test_a_task_that_comes_again_on_hold_or_cancelled_ends_nothing(status: str) -> None:
    new = plan("p2", replaces=[{"reference": "CarePlan/p1"}])
    stands = filed(begun(), 10, new, end("w", "MedicationRequest/a", 10))
    assert [lt4(stands, day) for day in (13, 14)] == [BEFORE, 0]
    changed = {"status": status, "intent": "order"}
    early = filed(begun(), 10, new, end("w", "MedicationRequest/a", 10))
    filed(early, 10, end("t", REFERENCE, 14, **changed))
    assert [lt4(early, day) for day in (13, 14, 60)] == [BEFORE] * 3


def test_of_a_plan_that_is_replaced_what_was_done_stays() -> None:
    new = plan("p2", replaces=[{"reference": "CarePlan/p1"}])
    late = filed(begun(), 20, new, end("w", "MedicationRequest/a", 20), order("b", 75, 20, 90))
    assert [lt4(late, day) for day in (13, 14, 19, 20)] == [BEFORE, 100, 100, 75]


def test_a_record_says_that_an_ended_medicine_is_taken_no_more() -> None:
    found = on(begun(), 14)
    assert found["lt4"]["status"] == "completed"
    assert found["lt4"]["effectivePeriod"]["end"] == iso(13)
    assert on(begun(), 13)["lt4"]["status"] == "active"


def test_a_filed_plan_is_taken_as_an_answer_is_read() -> None:
    planned = 0
    for own in (patient(5, number) for number in range(8)):
        with suppress(Refused):  # where no tablets keep the ratio of a combination
            bundle = service().ask("$propose-switch", 0, call_of(own.case))
            answer = Answer(bundle, own.case)
            chart = Chart(own)
            chart.file(bundle, 0)
            days = range(answer.decision)
            assert [chart.doses(day) for day in days] == [answer.series.single(day) for day in days]
            assert set(answer.series.drawn()) <= chart.draws()
            assert chart.decision() == answer.decision
            planned += 1
    assert planned >= 6


def test_a_dose_written_by_hand_takes_the_place_of_all_others() -> None:
    chart = begun()
    settle(chart, 30, 1)
    assert [lt4(chart, day) for day in (29, 30, 100)] == [100, 112.5, 112.5]
    assert [chart.changed(day) for day in (13, 14, 29, 30, 60)] == [0, 14, 14, 30, 30]
    settle(chart, 40, -1)
    assert lt4(chart, 40) == 100


def test_an_order_that_is_withdrawn_with_nothing_in_its_place_is_found() -> None:
    assert not list(begun().holes(20))
    assert list(filed(begun(), 20, end("u", "MedicationRequest/a", 20)).holes(20))
    later = filed(begun(), 20, end("u", "MedicationRequest/a", 20), order("b", 75, 22, 90))
    assert list(later.holes(20))
    new = filed(begun(), 20, end("u", "MedicationRequest/a", 20), order("b", 75, 20, 90))
    assert not list(new.holes(20))


def test_an_order_that_is_held_back_does_not_begin_and_todays_dose_is_ordered_anew() -> None:
    prior = {"priorPrescription": {"reference": "MedicationRequest/a"}}
    chart = filed(begun(), 20, order("b", 125, 56, 90, **prior))
    filed(chart, 50, held("h", "MedicationRequest/b", 50, 55))
    assert on(chart, 50)["b"]["status"] == "on-hold"
    for day in range(50, 60):
        chart.renew(day)
        assert lt4(chart, day) == 100
    assert on(chart, 57)["a-56"]["status"] == "active"
    filed(chart, 60, plan("p2"), order("c", 125, 60, 90), end("x", "MedicationRequest/a-56", 60))
    assert [lt4(chart, day) for day in (59, 60)] == [100, 125]


def test_an_order_whose_dose_is_kept_is_followed_until_it_would_rise() -> None:
    chart = begun()
    keep = held("h", "MedicationRequest/a", 20, 29) | {"code": {"text": "Keep"}}
    filed(chart, 20, keep)
    chart.renew(29)
    chart.renew(30)
    assert [lt4(chart, day) for day in (20, 29, 30, 40)] == [100] * 4
    assert on(chart, 30)["a-30"]["status"] == "active"


@pytest.mark.slow
def test_a_course_in_which_an_order_of_before_has_ended_leaves_nobody_without() -> None:
    own = patient(2, 179)  # settled by hand, then adjusted where no plan runs
    clinic = Stepwise(own)
    assert live(own, clinic)
    assert not clinic.flaws
