"""A contradiction planted anywhere in what is taken is asked about wherever the service answers."""

import copy
import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from .calls import PATIENTS, Resource
from .hooks import ORDER, REVIEW, call, grains, prefetch_of

Post = Callable[..., httpx.Response]
LT4, SWITCHED = "01-levothyroxine-150.json", "15-switched-at-half-the-dose.json"
WORDS = ["STOP", "hold until labs", "every other day", "take only half", "1 tablet twice daily",
         "daily except Sunday", "as needed", "for 2 weeks"]  # fmt: skip
DAILY = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}
Plant = Callable[[Resource, Resource, str], None]
"""Put words into a medicine and its dosage."""


def _into(element: str, shape: Callable[[str], Any]) -> Plant:
    def plant(_: Resource, dosage: Resource, words: str) -> None:
        dosage[element] = shape(words)

    return plant


def _note(medicine: Resource, _: Resource, words: str) -> None:
    medicine["note"] = [{"text": f"Take as follows: {words}"}]


PLACES: dict[str, Plant] = {
    "text": _into("text", str),
    "additionalInstruction": _into("additionalInstruction", lambda words: [{"text": words}]),
    "patientInstruction": _into("patientInstruction", str),
    "timing.code": _into("timing", lambda words: {**DAILY, "code": {"text": words}}),
    "note": _note,
}
CASES = [(place, words) for place in PLACES for words in WORDS]


def hormones(bundle: Resource) -> list[Resource]:
    resources = [entry["resource"] for entry in bundle["entry"]]
    return [r for r in resources if r["resourceType"].startswith("Medication") and _thyroid(r)]


def _thyroid(medicine: Resource) -> bool:
    """Whether it has a dosage and names the hormone."""
    return "dosage" in str(medicine) and "thyro" in json.dumps(medicine).casefold()


def as_request(medicine: Resource) -> None:
    """Make an order of a statement, in place."""
    medicine["resourceType"] = "MedicationRequest"
    medicine["intent"] = "order"
    medicine["authoredOn"] = "2025-01-05"
    medicine["dosageInstruction"] = medicine.pop("dosage")
    for name in ("effectivePeriod", "effectiveDateTime", "dateAsserted"):
        medicine.pop(name, None)


def as_r5(medicine: Resource) -> None:
    concept = medicine.pop("medicationCodeableConcept")
    medicine["medication"] = {"concept": concept}
    if medicine["resourceType"] == "MedicationStatement":
        medicine["status"] = "recorded"


def planted(place: str, words: str, kind: str, version: str) -> Resource:
    bundle: Resource = json.loads((PATIENTS / LT4).read_text())
    (medicine,) = hormones(bundle)
    dosages = medicine.get("dosage") or medicine["dosageInstruction"]
    PLACES[place](medicine, dosages[0], words)
    if kind == "MedicationRequest" and medicine["resourceType"] != kind:
        as_request(medicine)
    bundle["entry"] = [e for e in bundle["entry"] if e["resource"] is medicine
                       or e["resource"]["resourceType"] == "Patient"]  # fmt: skip
    if version == "r5":
        as_r5(medicine)
    return bundle


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize("kind", ["MedicationStatement", "MedicationRequest"])
@pytest.mark.parametrize(("place", "words"), CASES)
def test_a_proposal_and_a_comparison_ask(
    post: Post, place: str, words: str, kind: str, version: str
) -> None:
    bundle = planted(place, words, kind, version)
    route = f"/fhir/{version}/$propose-switch"
    answer = post(bundle, "?target=desiccated-thyroid&as-of=2025-03-03", route).json()
    kinds = [entry["resource"]["resourceType"] for entry in answer["entry"]]
    assert "MedicationRequest" not in kinds
    assert "data-required" in json.dumps(answer)
    compared = post(bundle, "?as-of=2025-03-03", f"/fhir/{version}/$compare-bases").json()
    assert compared["parameter"][0] == {"name": "outcome", "valueCode": "data-required"}


def test_without_a_contradiction_none_asks(post: Post) -> None:
    for kind in ("MedicationStatement", "MedicationRequest"):
        bundle = planted("text", "once daily", kind, "r4")
        answer = post(bundle, "?as-of=2025-03-03", "/fhir/r4/$compare-bases").json()
        assert answer["parameter"][0]["valueCode"] == "compared"


@pytest.mark.parametrize("words", WORDS)
@pytest.mark.parametrize("place", PLACES)
def test_at_order_entry_the_question_is_on_the_card(
    client: TestClient, place: str, words: str
) -> None:
    body = copy.deepcopy(call(LT4, [grains(60, "p01")]))
    for key in ("medicationStatements", "medicationRequests"):
        for entry in (body["prefetch"][key] or {}).get("entry", []):
            medicine = entry["resource"]
            if "thyro" in json.dumps(medicine).casefold():
                dosages = medicine.get("dosage") or medicine["dosageInstruction"]
                PLACES[place](medicine, dosages[0], words)
    (card,) = client.post(ORDER, json=body).json()["cards"]
    assert "To be answered first" in card["detail"]


@pytest.mark.parametrize("words", WORDS)
@pytest.mark.parametrize("place", PLACES)
def test_the_screening_is_in_doubt(post: Post, place: str, words: str) -> None:
    bundle: Resource = json.loads((PATIENTS / SWITCHED).read_text())
    sure = post(bundle, "?as-of=2025-03-03", "/fhir/r4/$screen-switches").json()
    for medicine in hormones(bundle):
        for dosage in medicine.get("dosage") or medicine["dosageInstruction"]:
            PLACES[place](medicine, dosage, words)
    doubted = post(bundle, "?as-of=2025-03-03", "/fhir/r4/$screen-switches").json()
    assert "needs review" not in json.dumps(sure)
    assert "needs review" in json.dumps(doubted)


NOT_TAKEN = {"status": "not-taken", "dateAsserted": "2025-02-20"}
STOPPED = {"status": "stopped", "dateAsserted": "2025-02-20"}


def beside(medicine: Resource, **changed: Any) -> Resource:
    """Another statement of the same medicine, of no days of its own."""
    again = {**copy.deepcopy(medicine), "id": "beside", **changed}
    again.pop("effectivePeriod", None)
    return again


def ordered(medicine: Resource, **changed: Any) -> Resource:
    """An order of the same medicine."""
    again = {**copy.deepcopy(medicine), "id": "beside"}
    as_request(again)
    return {**again, **changed}


AGAINST: dict[str, Callable[[Resource], list[Resource]]] = {
    "a statement that it is not taken": lambda m: [beside(m, **NOT_TAKEN)],
    "a statement that it was stopped": lambda m: [beside(m, **STOPPED)],
    "an order not to take it": lambda m: [ordered(m, doNotPerform=True)],
    "its order was stopped": lambda m: [ordered(m, status="stopped")],
    "its order was withdrawn": lambda m: [ordered(m, status="cancelled")],
}


@pytest.mark.parametrize("against", AGAINST.values(), ids=AGAINST.keys())
def test_what_another_resource_says_is_not_taken_is_asked_about_through_every_door(
    client: TestClient, post: Post, against: Callable[[Resource], list[Resource]]
) -> None:
    bundle: Resource = json.loads((PATIENTS / LT4).read_text())
    added = against(hormones(bundle)[0])
    bundle["entry"] += [{"resource": resource} for resource in added]
    proposed = post(bundle, "?target=desiccated-thyroid&as-of=2025-03-03").json()
    kinds = [entry["resource"]["resourceType"] for entry in proposed["entry"]]
    assert "MedicationRequest" not in kinds
    assert "stands as taken" in json.dumps(proposed)
    compared = post(bundle, "?as-of=2025-03-03", "/fhir/r4/$compare-bases").json()
    assert compared["parameter"][0]["valueCode"] == "data-required"

    body = call(LT4, [grains(60, "p01")])
    resources = [entry["resource"] for entry in bundle["entry"]]
    body["prefetch"] = prefetch_of(resources)
    (card,) = client.post(ORDER, json=body).json()["cards"]
    assert "To be answered first" in card["detail"]


@pytest.mark.parametrize("against", AGAINST.values(), ids=AGAINST.keys())
def test_a_switch_to_what_another_resource_says_is_not_taken_is_to_be_reviewed(
    client: TestClient, post: Post, against: Callable[[Resource], list[Resource]]
) -> None:
    bundle: Resource = json.loads((PATIENTS / SWITCHED).read_text())
    present = next(m for m in hormones(bundle) if m["status"] == "active")
    added = against(present)
    bundle["entry"] += [{"resource": resource} for resource in added]
    found = post(bundle, "?as-of=2025-03-03", "/fhir/r4/$screen-switches").json()
    assert "needs review" in json.dumps(found)
    assert "DetectedIssue" not in json.dumps(found)

    body = call(SWITCHED, [], hook="patient-view")
    body["prefetch"] = prefetch_of([entry["resource"] for entry in bundle["entry"]])
    (card,) = client.post(REVIEW, json=body).json()["cards"]
    assert card["summary"] == "A change of thyroid medicine needs review"
    assert f"{added[0]['resourceType']}/beside" in card["detail"]
