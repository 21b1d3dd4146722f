"""Weeks that two tablets of levothyroxine share: coded, in words, by day, and never where frail."""

import json
from collections.abc import Callable
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from tests.conformance.r5_records import as_r5
from tests.unit.command import crossgrain
from tests.unit.reading.records import read_bundle

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.record import MedicineEntry

from .calls import AS_OF, FHIR, PATIENTS, Resource

TO_LT3 = "04-levothyroxine-100-to-liothyronine.json"
FRAIL = "10-older-with-atrial-fibrillation.json"
STOCK = ("levothyroxine 25", "levothyroxine 50", "levothyroxine 75")
QUERY = f"?target=liothyronine&as-of={AS_OF}" + "".join(
    f"&stock={one.replace(' ', '%20')}" for one in STOCK
)
WEEKLY = f"{QUERY}&weekly-pattern=true"
FOUR, THREE = ["mon", "wed", "fri", "sun"], ["tue", "thu", "sat"]
IN_WORDS = ("Tuesday, Thursday and Saturday", "Monday, Tuesday and Wednesday")
Post = Callable[..., httpx.Response]


def record(file: str = TO_LT3) -> Resource:
    made: Resource = json.loads((PATIENTS / file).read_text())
    return made


def orders_in(answer: Resource) -> list[Resource]:
    found = (entry["resource"] for entry in answer["entry"])
    return [
        r for r in found if r["resourceType"] == "MedicationRequest" and r["intent"] == "proposal"
    ]


def shared(orders: list[Resource]) -> list[Resource]:
    """The instructions that hold on some days of the week only."""
    every = (instruction for order in orders for instruction in order["dosageInstruction"])
    return [one for one in every if "dayOfWeek" in repeat(one)]


def repeat(instruction: Resource) -> dict[str, Any]:
    said: dict[str, Any] = instruction["timing"]["repeat"]
    return said


def test_the_days_are_coded_and_said_and_the_two_orders_take_every_day_once(post: Post) -> None:
    instructions = shared(orders_in(post(record(), WEEKLY).json()))
    assert sorted(repeat(one)["dayOfWeek"] for one in instructions) == [FOUR, THREE]
    for one in instructions:
        assert (repeat(one)["frequency"], repeat(one)["periodUnit"]) == (1, "d")
        assert one["doseAndRate"][0]["doseQuantity"]["value"] == 1
        assert "250 micrograms of levothyroxine sodium a week in all" in one["text"]
    assert "take 1 tablet on Tuesday, Thursday and Saturday, in the morning" in str(instructions)


@pytest.mark.parametrize("version", FhirVersion)
def test_the_service_reads_its_own_weeks_back_to_the_very_days(
    client: TestClient, version: FhirVersion
) -> None:
    sent = record() if version is FhirVersion.R4 else as_r5(record())
    answer = client.post(
        f"/fhir/{version.value.lower()}/$propose-switch{WEEKLY}",
        content=json.dumps(sent),
        headers=FHIR,
    )
    assert answer.status_code == 200, answer.text
    orders = orders_in(answer.json())
    days = {repeat(order)["boundsPeriod"]["start"] for order in shared(orders)}
    for start in days:
        first = date.fromisoformat(start)
        for day in (first, first + timedelta(6), first + timedelta(13)):
            taken = read_again(sent, orders, version, day)
            assert sum(sum(cycle) for cycle in taken) == 250
            assert [len(cycle) for cycle in taken] == [7, 7]
            assert all(min(both) == 0 < max(both) for both in zip(*taken, strict=True))


def read_again(
    sent: Resource, orders: list[Resource], version: FhirVersion, day: date
) -> list[tuple[Fraction, ...]]:
    """The weeks of levothyroxine in a record of these orders alone, made active."""
    (patient,) = (
        e["resource"] for e in sent["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    active = [{**o, "status": "active", "intent": "order", "authoredOn": AS_OF} for o in orders]
    entries = [{"resource": one} for one in (patient, *active)]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    read = read_bundle(bundle, version, day)
    assert read.questions == ()
    return [ln.cycle for ln in read.regimen if ln.preparation.id == "levothyroxine"]


def drafts_of(client: TestClient, days: list[str]) -> list[MedicineEntry]:
    """What is not known as ours of the series as the EHR keeps it, a week on other days in it."""
    sent = record()
    answer = client.post(
        f"/fhir/r4/$propose-switch{WEEKLY}", content=json.dumps(sent), headers=FHIR
    )
    orders = orders_in(answer.json())
    for one in shared(orders):
        if repeat(one)["dayOfWeek"] == THREE:
            repeat(one)["dayOfWeek"] = days
            one["text"] = one["text"].replace(IN_WORDS[0], IN_WORDS[days != THREE])
    sent["entry"] += [{"resource": {**order, "intent": "order"}} for order in orders]
    read = read_bundle(sent, FhirVersion.R4, date.fromisoformat(AS_OF))
    return [draft for draft in read.drafts if not draft.ours]


def test_a_step_on_the_days_of_its_week_is_known_as_ours_and_on_others_is_not(
    client: TestClient,
) -> None:
    """As many days of the week come to the same mean, and still it is no step of ours."""
    assert drafts_of(client, THREE) == []
    (changed,) = drafts_of(client, ["mon", "tue", "wed"])
    assert changed.strength == 50


def test_quantities_are_those_of_the_weeks(post: Post) -> None:
    orders = [o for o in orders_in(post(record(), WEEKLY).json()) if shared([o])]
    assert len(orders) == 2
    for order in orders:
        needed = sum(map(days_of, order["dosageInstruction"]))
        last = repeat(order["dosageInstruction"][-1])["boundsPeriod"]["end"]
        reserve = 14 if last == "2025-06-15" else 0  # past the decision
        assert order["dispenseRequest"]["quantity"]["value"] == needed + reserve


def days_of(instruction: Resource) -> int:
    """On how many days it holds, counted one by one."""
    bounds = repeat(instruction)["boundsPeriod"]
    first, last = (date.fromisoformat(bounds[end]) for end in ("start", "end"))
    days = [first + timedelta(day) for day in range((last - first).days + 1)]
    named = repeat(instruction).get("dayOfWeek")
    return sum(named is None or day.strftime("%a").lower() in named for day in days)


def test_without_the_option_every_day_is_like_the_next(post: Post) -> None:
    assert shared(orders_in(post(record(), QUERY).json())) == []


def test_the_rationale_says_what_was_done_and_the_mean_day_it_was_forecast_from(
    post: Post,
) -> None:
    said = post(record(), WEEKLY).text
    assert "Levothyroxine in whole tablets alone" in said
    assert "mean daily doses made so: about 35.7 micrograms" in said


def test_it_is_withheld_from_a_frail_patient_and_says_so(post: Post) -> None:
    query = f"?target=levothyroxine-liothyronine&as-of={AS_OF}&weekly-pattern=true"
    answer = post(record(FRAIL), query)
    assert answer.status_code == 200, answer.text
    assert shared(orders_in(answer.json())) == []
    assert "No weekly pattern: every day is like the next for this patient" in answer.text


def test_whole_tablets_that_make_no_dose_are_refused_as_such(post: Post) -> None:
    query = f"?target=levothyroxine&as-of={AS_OF}&weekly-pattern=true&stock=levothyroxine%20300"
    answer = post(record("05-liothyronine-50.json"), query)
    assert answer.status_code == 422
    (issue,) = answer.json()["issue"]
    assert issue["diagnostics"].endswith("in whole tablets")


def test_the_patients_page_and_calendar_name_the_days(client: TestClient) -> None:
    page = client.post(f"/sheet{WEEKLY}", content=json.dumps(record()), headers=FHIR)
    assert page.status_code == 200
    text = " ".join(page.text.split())
    assert "in the morning on Monday, Wednesday, Friday and Sunday" in text
    assert "in the morning on Tuesday, Thursday and Saturday" in text
    assert "To take half a tablet" not in text


def test_the_command_line_takes_it_too() -> None:
    stock = [word for one in STOCK for word in ("--stock", one)]
    ran = crossgrain("propose", PATIENTS / TO_LT3, "--target", "liothyronine", "--as-of", AS_OF,
                     *stock, "--weekly-pattern", columns=200)  # fmt: skip
    assert ran.returncode == 0, ran.told
    assert "Tuesday, Thursday and" in ran.told


@pytest.mark.parametrize("option", ["weekly-pattern", "another-product"])
def test_the_operations_definition_names_the_option(client: TestClient, option: str) -> None:
    for version in ("r4", "r5"):
        listed = client.get(f"/fhir/{version}/OperationDefinition/propose-switch").json()
        (found,) = [p for p in listed["parameter"] if p["name"] == option]
        assert (found["type"], found["max"]) == ("boolean", "1")
