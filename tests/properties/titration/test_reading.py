"""The reader of answers reads what the FHIR specification means, by orders written by hand."""

from typing import Any

import pytest
from tests.properties.titration.grid import Case, Taken
from tests.properties.titration.reading import Answer, Unreadable, worth

Json = dict[str, Any]
TYPES = "http://terminology.hl7.org/CodeSystem/dose-rate-type"


def dose(kind: str, value: float, code: str) -> Json:
    coded = {"coding": [{"system": TYPES, "code": kind}]}
    return {"type": coded, "doseQuantity": {"value": value, "code": code}}


def dosage(tablets: float, first: str, last: str, mass: float | None = None, **repeat: Any) -> Json:
    bounds = {"start": first, "end": last}
    often = {"frequency": 1, "period": 1, "periodUnit": "d", **repeat}
    own = [dose("ordered", tablets, "{tbl}")]
    own += [dose("calculated", mass, "ug")] if mass is not None else []
    return {"timing": {"repeat": {"boundsPeriod": bounds, **often}}, "doseAndRate": own}


def order(words: str, *dosages: Json, tablets: float = 14, days: int = 14) -> Json:
    return {
        "resourceType": "MedicationRequest",
        "intent": "proposal",
        "medicationCodeableConcept": {"text": words},
        "dosageInstruction": list(dosages),
        "dispenseRequest": {
            "quantity": {"value": tablets},
            "expectedSupplyDuration": {"value": days},
        },
    }


def answer(*resources: Json, case: Case | None = None) -> Answer:
    group = {
        "resourceType": "RequestGroup",
        "action": [{"timingDateTime": "2025-04-14", "action": []}],
    }
    found = [{"resourceType": "GuidanceResponse", "status": "success"}, *resources, group]
    entries = [{"fullUrl": f"urn:{n}", "resource": one} for n, one in enumerate(found)]
    return Answer({"entry": entries}, case or Case(taken=()))


LT3_5 = "liothyronine sodium 5 microgram tablet"
LT4_50 = "levothyroxine sodium 50 microgram tablet"


def test_a_dose_twice_a_day_is_two_single_doses() -> None:
    taken = dosage(1, "2025-03-03", "2025-03-16", 5, frequency=2)
    course = answer(order(LT3_5, taken)).series
    assert course.single(0) == {("lt3", "MORN"): 5, ("lt3", "HS"): 5}
    assert course.daily(13) == {"lt3": 10}
    assert course.daily(14) == {}


def test_doses_of_two_times_of_day_are_kept_apart_and_tablets_of_one_time_added_up() -> None:
    morning = dosage(2, "2025-03-03", "2025-03-16", when=["MORN"])
    night = dosage(1, "2025-03-03", "2025-03-16", when=["HS"])
    more = order("liothyronine sodium 25 microgram tablet", dosage(1, "2025-03-03", "2025-03-09"))
    course = answer(order(LT3_5, morning, night), more).series
    assert course.single(0) == {("lt3", "MORN"): 35, ("lt3", "HS"): 5}
    assert course.single(7) == {("lt3", "MORN"): 10, ("lt3", "HS"): 5}
    assert course.steps == [0, 7]


@pytest.mark.parametrize(
    ("repeat", "mean"), [({"dayOfWeek": ["mon", "wed"]}, 100 / 7), ({"period": 2}, 25), ({}, 50)]
)
def test_some_days_of_the_week_count_by_their_mean(repeat: Json, mean: float) -> None:
    course = answer(order(LT4_50, dosage(1, "2025-03-03", "2025-03-16", **repeat))).series
    assert course.daily(0)["lt4"] == pytest.approx(mean)


def test_a_medicine_of_today_goes_on_until_a_task_ends_it() -> None:
    task = {
        "resourceType": "Task",
        "intent": "proposal",
        "code": {"coding": [{"code": "abort"}]},
        "focus": {"reference": "MedicationStatement/lt4"},
        "restriction": {"period": {"start": "2025-03-17"}},
    }
    case = Case(taken=(Taken("lt4", 150),))
    assert answer(task, case=case).series.daily(13) == {"lt4": 150}
    assert answer(task, case=case).series.daily(14) == {}
    assert answer(case=case).series.daily(300) == {"lt4": 150}


def test_draws_are_read_by_their_day_or_their_days() -> None:
    about = {"resourceType": "ServiceRequest", "intent": "proposal"}
    coded = {"coding": [{"code": "3016-3"}], "text": "TSH"}
    single = {**about, "code": coded, "occurrenceDateTime": "2025-03-03"}
    several = {"event": ["2025-04-03", "2025-05-03"]}
    repeated = {**about, "code": {"concept": coded}, "occurrenceTiming": several}
    assert answer(single, repeated).series.drawn() == [0, 31, 61]


def test_tablets_that_are_needed_include_the_days_past_the_last_dose() -> None:
    taken = dosage(1.5, "2025-03-03", "2025-03-16")
    (supply,) = answer(order(LT4_50, taken, tablets=42, days=28)).series.supplies
    assert (supply.first, supply.last, supply.days, supply.needed) == (0, 13, 28, 42)


@pytest.mark.parametrize(
    "wrong",
    [
        order(LT4_50, dosage(1, "2025-03-03", "2025-03-16", 100)),
        order("a tablet", dosage(1, "2025-03-03", "2025-03-16")),
        order("iodine 50 microgram tablet", dosage(1, "2025-03-03", "2025-03-16")),
        order(LT4_50, dosage(1, "2025-03-03", "2025-03-16", periodUnit="wk")),
    ],
    ids=["mass and tablets differ", "no strength", "another medicine", "by the week"],
)
def test_what_cannot_be_told_is_not_guessed(wrong: Json) -> None:
    with pytest.raises(Unreadable):
        answer(wrong).series  # noqa: B018


def test_a_grain_is_worth_what_each_chart_says() -> None:
    # common practice; label; Hoang 2013; arithmetic on the label's content
    charts = {"practice": 50, "label": 100, "trial": 88, "content": 67.7}
    for family in ({"d60": 60.0}, {"d65": 65.0}):
        assert {chart: worth(chart, family) for chart in charts} == pytest.approx(charts)


def test_where_one_medicine_ends_the_other_goes_on_as_it_is() -> None:
    task = {
        "resourceType": "Task",
        "intent": "proposal",
        "code": {"coding": [{"code": "abort"}]},
        "focus": {"reference": "MedicationStatement/lt3"},
        "restriction": {"period": {"start": "2025-03-03"}},
    }
    both = Case(taken=(Taken("lt4", 25), Taken("lt3", 5)))
    assert answer(task, case=both).series.settled == {"lt4": 25}
