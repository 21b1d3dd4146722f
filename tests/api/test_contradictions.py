"""A contradiction planted anywhere in what is taken is asked about wherever the service answers."""

import copy
import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from .calls import PATIENTS, Resource
from .hooks import ORDER, call, grains

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
