"""What a record says beside the hormone reaches the answer, and what it denies does not."""

import json
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

from .calls import AS_OF, FHIR, PROPOSE, QUERY

Post = Callable[..., httpx.Response]


def with_condition(record: dict[str, Any], words: str) -> dict[str, Any]:
    patient = next(
        e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    resource = {
        "resourceType": "Condition",
        "id": "in-words",
        "code": {"text": words},
        "subject": {"reference": f"Patient/{patient['id']}"},
    }
    return {**record, "entry": [*record["entry"], {"resource": resource}]}


def findings(answer: httpx.Response) -> set[str]:
    """The codes of the findings."""
    assert answer.status_code == 200, answer.text
    return {
        entry["resource"]["code"]["coding"][0]["code"]
        for entry in answer.json()["entry"]
        if entry["resource"]["resourceType"] == "DetectedIssue"
    }


@pytest.mark.parametrize(
    "words",
    ["No angina", "denies chest pain or angina", "negative for AF", "family history of MI"],
)
def test_a_condition_that_is_denied_in_words_raises_nothing_and_is_listed_as_not_taken(
    post: Post, record: dict[str, Any], words: str
) -> None:
    answer = post(with_condition(record, words), QUERY)
    assert findings(answer) == findings(post(record, QUERY))
    assert "its words deny what a safety rule looks for" in answer.text


@pytest.mark.parametrize(
    ("words", "finding"),
    [
        ("Angina, stable", "coronary-disease"),
        ("AF", "atrial-fibrillation"),
        ("history of MI", "coronary-disease"),
        ("rule out unstable angina", "unstable-angina"),
    ],
)
def test_a_condition_that_is_asserted_or_in_doubt_raises_its_finding(
    post: Post, record: dict[str, Any], words: str, finding: str
) -> None:
    assert finding in findings(post(with_condition(record, words), QUERY))


def with_medicine(record: dict[str, Any], words: str) -> dict[str, Any]:
    patient = next(
        e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    resource = {
        "resourceType": "MedicationStatement",
        "id": "beside",
        "status": "active",
        "medicationCodeableConcept": {"text": words},
        "subject": {"reference": f"Patient/{patient['id']}"},
        "effectivePeriod": {"start": "2024-01-01"},
    }
    return {**record, "entry": [*record["entry"], {"resource": resource}]}


def of_type(answer: httpx.Response, kind: str) -> list[dict[str, Any]]:
    resources = (entry["resource"] for entry in answer.json()["entry"])
    return [resource for resource in resources if resource["resourceType"] == kind]


@pytest.mark.parametrize(
    ("words", "finding", "instruction"),
    [
        ("orlistat 120 mg capsule", "orlistat", "4 hours apart from: orlistat"),
        ("ciprofloxacin 500 mg tablet", "ciprofloxacin", "6 hours apart from: ciprofloxacin"),
        ("raloxifene 60 mg tablet", "raloxifene", "12 hours from a morning dose"),
        ("colesevelam 625 mg", "binders", "4 hours apart from: bile acid resin"),
    ],
)
def test_the_hours_apart_stand_in_every_order(
    post: Post, record: dict[str, Any], words: str, finding: str, instruction: str
) -> None:
    answer = post(with_medicine(record, words), QUERY)
    assert finding in findings(answer)
    orders = of_type(answer, "MedicationRequest")
    assert orders
    for order in orders:
        assert all(instruction in line["text"] for line in order["dosageInstruction"])


@pytest.mark.parametrize(
    ("words", "finding"),
    [
        ("carbimazole 5 mg tablet", "antithyroid"),
        ("imatinib 400 mg tablet", "tyrosine-kinase-inhibitor"),
    ],
)
def test_a_medicine_that_must_be_settled_first_holds_every_order(
    post: Post, record: dict[str, Any], words: str, finding: str
) -> None:
    answer = post(with_medicine(record, words), QUERY)
    assert finding in findings(answer)
    for order in of_type(answer, "MedicationRequest"):
        assert any(words.split(maxsplit=1)[0] in note["text"] or "beside" in note["text"]
                   or "treats the cancer" in note["text"] for note in order["note"])  # fmt: skip


COMBINATION = f"?target=levothyroxine-liothyronine&as-of={AS_OF}"


def test_a_combination_has_its_review_as_a_dated_task_of_the_plan(
    post: Post, record: dict[str, Any]
) -> None:
    answer = post(record, COMBINATION)
    (review,) = (t for t in of_type(answer, "Task") if t["code"]["text"].startswith("Review"))
    (group,) = of_type(answer, "RequestGroup")
    decided = date.fromisoformat(group["action"][0]["timingDateTime"])
    due = date.fromisoformat(review["restriction"]["period"]["start"])
    assert decided < due <= decided + timedelta(days=91)
    assert "stop it without benefit" in review["description"]
    (plan,) = of_type(answer, "CarePlan")
    tied = {a["reference"]["reference"] for a in plan["activity"]}
    assert f"urn:uuid:{review['id']}" in tied
    assert "Review of the combination" in plan["text"]["div"]


def test_the_review_stands_on_the_sheet_and_in_the_calendar(
    client: TestClient, record: dict[str, Any]
) -> None:
    page = client.post(f"/sheet{COMBINATION}", json=record, headers=FHIR).text
    assert "Review of the combination" in page
    asked = FHIR | {"accept": "text/calendar"}
    calendar = client.post(f"/sheet{COMBINATION}", json=record, headers=asked).text
    assert "Talk with us about your tablets" in calendar
    other = client.post(f"/sheet{QUERY}", json=record, headers=asked).text
    assert "Talk with us about your tablets" not in other


def test_a_concept_of_a_deployers_value_set_raises_the_same_finding(
    record: dict[str, Any], tmp_path: Path
) -> None:
    """The concept is invented; that it lies below heart failure is what the file says."""
    below = {"system": "http://snomed.info/sct", "code": "1000000107"}
    value_set = {"resourceType": "ValueSet", "expansion": {"total": 1, "contains": [below]}}
    (tmp_path / "set.json").write_text(json.dumps(value_set), "utf-8")
    clinic = tmp_path / "clinic.toml"
    clinic.write_text(
        '[[value_set]]\nkind = "condition"\nkey = "heart-failure"\nfile = "set.json"\n', "utf-8"
    )
    coded = with_condition(record, "")
    coded["entry"][-1]["resource"]["code"] = {"coding": [below]}
    raised = []
    for catalogue in (load_catalogue(), load_catalogue(clinic)):
        with TestClient(create_app(Settings(), catalogue)) as client:
            raised.append(findings(client.post(f"{PROPOSE}{QUERY}", json=coded, headers=FHIR)))
    before, after = raised
    assert after - before == {"heart-failure"}


def with_tsh_at(record: dict[str, Any], birth_date: str, tsh: float) -> dict[str, Any]:
    """The record of somebody born then, whose every TSH is that."""
    for entry in record["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] == "Patient":
            resource["birthDate"] = birth_date
        codes = resource.get("code", {}).get("coding", [])
        if resource["resourceType"] == "Observation" and codes and codes[0]["code"] == "3016-3":
            resource["valueQuantity"]["value"] = tsh
            resource.pop("referenceRange", None)
    return record


@pytest.mark.parametrize(
    ("birth_date", "high", "limit"),
    [("1955-03-04", True, "value > iif(referenceRange"), ("1955-03-03", False, " > 6.0, iif(")],
)
def test_a_tsh_of_five_is_high_until_the_seventieth_birthday_in_words_and_for_a_machine(
    post: Post, record: dict[str, Any], birth_date: str, high: bool, limit: str
) -> None:
    answer = post(with_tsh_at(record, birth_date, 5.0), QUERY)
    assert ("tsh-high" in findings(answer)) is high
    (group,) = of_type(answer, "RequestGroup")
    raised = group["action"][0]["action"][0]
    assert limit in raised["condition"][0]["expression"]["expression"]
