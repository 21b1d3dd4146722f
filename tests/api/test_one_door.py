"""What is asked, refused or listed at the door is so by every operation alike."""

import copy
import json
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient

from .calls import COMPARE, PATIENTS, PROPOSE, Resource
from .hooks import ORDER, call, grains

SCREEN, SHEET = "/fhir/r4/$screen-switches", "/sheet"
PARKED = "15-switched-at-half-the-dose.json"
DAY = "?as-of=2025-03-03"
Change = Callable[[Resource], Any]
Post = Callable[..., Any]


def added(resource: Resource) -> Change:
    return lambda record: record["entry"].append({"resource": resource})


def the_patient(**more: Any) -> Change:
    return lambda record: record["entry"][0]["resource"].update(more)


def outcome(severity: str) -> Resource:
    issue = {"severity": severity, "code": "incomplete"}
    return {"resourceType": "OperationOutcome", "issue": [issue]}


def paged(relation: str) -> Change:
    return lambda record: record.update(link=[{"relation": relation, "url": "https://x.example"}])


def elsewhere(record: Resource) -> None:
    for entry in record["entry"]:
        resource = entry["resource"]
        entry["fullUrl"] = f"https://ehr.example/{resource['resourceType']}/{resource['id']}"
    record["entry"][-1]["fullUrl"] = record["entry"][-1]["fullUrl"].replace("ehr.", "other.")


LAST = "Bundle.entry[11].resource"
WHOSE = {"reference": "Patient/p15"}
CETIRIZINE = {"text": "cetirizine 10 MG Oral Tablet"}
ASKED: dict[str, tuple[Change, str]] = {
    "the first page of two": (paged("next"), "Bundle.link[0]"),
    "the last page of two": (paged("previous"), "Bundle.link[0]"),
    "fewer than were found": (lambda r: r.update(type="searchset", total=20), "Bundle.total"),
    "a total that is no number": (lambda r: r.update(type="searchset", total="11"), "Bundle.total"),
    "a gatherer that failed": (added(outcome("error")), LAST),
    "a gatherer that warns": (added(outcome("warning")), LAST),
    "a record not in use": (the_patient(active=False), "Bundle.entry[0].resource.active"),
    "a record that another replaced": (
        the_patient(link=[{"type": "replaced-by", "other": {"reference": "Patient/p99"}}]),
        "Bundle.entry[0].resource.link[0]",
    ),
}
REFUSED: dict[str, tuple[Change, str]] = {
    "a misspelt type": (added({"resourceType": "MedicationStatment", "id": "x"}), LAST),
    "an order of DSTU2": (added({"resourceType": "MedicationOrder", "id": "x"}), LAST),
    "a bundle in the bundle": (added({"resourceType": "Bundle", "id": "x"}), LAST),
    "rules of the patient": (
        the_patient(implicitRules="https://x.example"),
        "Bundle.entry[0].resource.implicitRules",
    ),
    "a modifier of the patient": (
        the_patient(modifierExtension=[{"url": "https://x.example"}]),
        "Bundle.entry[0].resource.modifierExtension",
    ),
    "a patient of STU3": (the_patient(animal={}), "Bundle.entry[0].resource"),
    "a medicine of R5": (
        added(
            {
                "resourceType": "MedicationRequest",
                "id": "x",
                "subject": WHOSE,
                "medication": {"concept": {"text": "levothyroxine"}},
            }
        ),
        LAST,
    ),
    "a medicine of STU3": (
        added(
            {
                "resourceType": "MedicationStatement",
                "id": "x",
                "subject": WHOSE,
                "taken": "y",
                "medicationCodeableConcept": {"text": "levothyroxine"},
            }
        ),
        LAST,
    ),
    "an unknown result of another patient": (
        added(
            {
                "resourceType": "Observation",
                "id": "x",
                "code": {"coding": [{"system": "http://loinc.org", "code": "2345-7"}]},
                "subject": {"reference": "Patient/p99"},
            }
        ),
        f"{LAST}.subject",
    ),
    "a resource of another server": (elsewhere, "Bundle.entry[10].resource.patient"),
}
LISTED: dict[str, tuple[Change, str]] = {
    "a type of R5": (added({"resourceType": "DeviceUsage", "id": "x"}), LAST),
    "a type of STU3": (added({"resourceType": "ReferralRequest", "id": "x"}), LAST),
    "a gatherer that says all is well": (added(outcome("information")), LAST),
    "a list": (added({"resourceType": "List", "id": "x"}), LAST),
    "another medicine of R5": (
        added(
            {
                "resourceType": "MedicationRequest",
                "id": "x",
                "subject": WHOSE,
                "medication": {"concept": CETIRIZINE},
            }
        ),
        LAST,
    ),
    "another medicine of STU3": (
        added(
            {
                "resourceType": "MedicationStatement",
                "id": "x",
                "subject": WHOSE,
                "taken": "y",
                "medicationCodeableConcept": CETIRIZINE,
            }
        ),
        LAST,
    ),
    "another medicine that is misshapen": (
        added(
            {
                "resourceType": "MedicationStatement",
                "id": "x",
                "subject": WHOSE,
                "status": "active",
                "medicationCodeableConcept": CETIRIZINE,
                "dosage": "one daily",
            }
        ),
        LAST,
    ),
    "another medicine without a status": (
        added(
            {
                "resourceType": "MedicationRequest",
                "id": "x",
                "subject": WHOSE,
                "medicationCodeableConcept": CETIRIZINE,
            }
        ),
        LAST,
    ),
}


def changed(change: Change) -> Resource:
    record: Resource = json.loads((PATIENTS / PARKED).read_text())
    assert len(record["entry"]) == 11
    change(record)
    return record


def parts(answer: Resource, name: str, key: str) -> list[str]:
    """The expressions of the questions or of what was not read, in a comparison."""
    groups = [p["part"] for p in answer["parameter"] if p["name"] == name]
    return [part["valueString"] for group in groups for part in group if part["name"] == key]


def issues(answer: Resource) -> list[Resource]:
    found: list[Resource] = answer["entry"][0]["resource"]["issue"]
    return found


@pytest.mark.parametrize(("change", "place"), ASKED.values(), ids=ASKED.keys())
def test_the_same_is_asked(post: Post, change: Change, place: str) -> None:
    record = changed(change)
    compared = post(record, DAY, COMPARE).json()
    assert compared["parameter"][0]["valueCode"] == "data-required"
    assert place in parts(compared, "question", "expression")
    (words,) = parts(compared, "question", "question")
    screened = issues(post(record, DAY, SCREEN).json())
    assert screened[0]["details"]["text"] == f"needs review: {words}"
    assert [i["expression"] for i in screened[1:] if i["severity"] == "warning"] == [[place]]
    proposed = post(record, f"{DAY}&target=levothyroxine", PROPOSE)
    assert proposed.status_code == 200
    assert proposed.json()["entry"][0]["resource"]["status"] == "data-required"
    assert place in proposed.text
    page = post(record, f"{DAY}&target=levothyroxine", SHEET)
    assert words.split(". ")[0] in unescape(page.text)


@pytest.mark.parametrize(("change", "place"), REFUSED.values(), ids=REFUSED.keys())
def test_the_same_is_refused(post: Post, change: Change, place: str) -> None:
    record = changed(change)
    answers = [
        post(record, f"{DAY}&target=levothyroxine", PROPOSE),
        post(record, DAY, COMPARE),
        post(record, DAY, SCREEN),
        post(record, f"{DAY}&target=levothyroxine", SHEET),
    ]
    assert {answer.status_code for answer in answers} <= {400, 422}
    assert len({answer.content for answer in answers}) == 1
    assert answers[0].json()["issue"][0]["expression"] == [place]


@pytest.mark.parametrize(("change", "place"), LISTED.values(), ids=LISTED.keys())
def test_the_same_is_listed_and_the_rest_is_read(post: Post, change: Change, place: str) -> None:
    record = changed(change)
    whole = changed(lambda _: None)
    compared = post(record, DAY, COMPARE).json()
    assert compared["parameter"][0]["valueCode"] == "compared"
    assert place in parts(compared, "not-read", "expression")
    screened = post(record, DAY, SCREEN).json()
    assert screened["entry"][1:] == post(whole, DAY, SCREEN).json()["entry"][1:]
    listed = {(i["severity"], *i.get("expression", [])) for i in issues(screened)}
    assert ("information", place) in listed
    assert post(record, f"{DAY}&target=levothyroxine", PROPOSE).status_code == 200


@pytest.mark.parametrize(
    ("resource", "status"),
    [
        ({"resourceType": "MedicationStatment", "id": "x"}, 400),
        ({"resourceType": "MedicationOrder", "id": "x"}, 422),
        ({"resourceType": "DeviceUsage", "id": "x"}, 200),
    ],
)
def test_a_hook_looks_at_all_that_came_in_its_prefetch(
    client: TestClient, resource: Resource, status: int
) -> None:
    body = call("01-levothyroxine-150.json", [grains(60, "p01")])
    found = body["prefetch"]["medicationStatements"]
    found["entry"].append({"resource": resource, "search": {"mode": "include"}})
    answer = client.post(ORDER, json=body)
    assert answer.status_code == status
    if status != 200:
        at = f"prefetch.medicationStatements.entry[{len(found['entry']) - 1}].resource"
        assert answer.json()["issue"][0]["expression"] == [at]


def test_a_hook_asks_of_a_record_that_is_not_in_use(client: TestClient) -> None:
    body = copy.deepcopy(call("01-levothyroxine-150.json", [grains(60, "p01")]))
    body["prefetch"]["patient"]["active"] = False
    (card,) = client.post(ORDER, json=body).json()["cards"]
    assert "not in use" in card["detail"]
