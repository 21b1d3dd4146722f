"""``$screen-switches``: the nightly judgement on one patient's record."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from fhir.resources.detectedissue import DetectedIssue as DetectedIssueR5
from fhir.resources.R4B.detectedissue import DetectedIssue
from tests.conformance.r5_records import as_r5 as as_r5_record

from .calls import PATIENTS

SCREEN = "/fhir/r4/$screen-switches"
PARKED = PATIENTS / "15-switched-at-half-the-dose.json"


def issues(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        entry["resource"]
        for entry in answer["entry"]
        if entry["resource"]["resourceType"] == "DetectedIssue"
    ]


def test_the_parked_patient_is_confirmed(post: Callable[..., Any]) -> None:
    answer = post(PARKED.read_bytes(), "?as-of=2025-03-03", SCREEN)
    assert answer.status_code == 200
    (issue,) = issues(answer.json())
    assert issue["code"]["coding"][0]["code"] == "under-dosed-switch"
    assert issue["evidence"][0]["code"][0]["coding"][0]["code"] == "confirmed"
    assert issue["patient"] == {"reference": "Patient/p15"}
    assert {r["reference"] for r in issue["implicated"]} >= {
        "MedicationStatement/p15-medication-2",
        "MedicationStatement/p15-medication-3",
        "Observation/p15-observation-6",
    }
    assert issue["status"] == "preliminary"
    DetectedIssue.model_validate(issue)


def test_on_the_label_alone_the_same_dose_is_no_switch_to_less(post: Callable[..., Any]) -> None:
    answer = post(PARKED.read_bytes(), "?as-of=2025-03-03&basis=label", SCREEN).json()
    assert [i["code"]["coding"][0]["code"] for i in issues(answer)] == ["tsh-high-after-switch"]


def test_r5_names_the_subject(post: Callable[..., Any], as_r5: dict[str, Any]) -> None:
    answer = post(as_r5, "?as-of=2025-03-03", "/fhir/r5/$screen-switches").json()
    (issue,) = issues(answer)
    assert issue["subject"] == {"reference": "Patient/p15"}
    DetectedIssueR5.model_validate(issue)


@pytest.fixture
def as_r5() -> dict[str, Any]:
    """The parked patient in the shape of R5."""

    bundle: dict[str, Any] = as_r5_record(json.loads(PARKED.read_text()))
    for entry in bundle["entry"]:
        if entry["resource"]["resourceType"] == "MedicationStatement":
            entry["resource"]["adherence"] = {"code": {"coding": [{"code": "taking"}]}}
    return bundle


@pytest.mark.parametrize(
    ("patient", "said"),
    [
        ("01-levothyroxine-150.json", "no switch"),
        ("02-desiccated-120.json", "no switch"),
    ],
)
def test_without_a_switch_it_says_so(post: Callable[..., Any], patient: str, said: str) -> None:
    answer = post((PATIENTS / patient).read_bytes(), "?as-of=2025-03-03", SCREEN).json()
    assert issues(answer) == []
    assert answer["entry"][0]["resource"]["issue"][0]["details"]["text"] == said


def test_an_unreadable_old_dose_needs_review(
    post: Callable[..., Any], parked: dict[str, Any]
) -> None:
    for entry in parked["entry"]:
        if entry["resource"]["id"] == "p15-medication-3":
            entry["resource"]["dosage"] = [{"text": "as directed"}]
    answer = post(parked, "?as-of=2025-03-03", SCREEN).json()
    (said,) = answer["entry"][0]["resource"]["issue"]
    assert (said["severity"], said["code"]) == ("warning", "incomplete")
    assert "MedicationStatement/p15-medication-3" in said["diagnostics"]
    assert issues(answer) == []


@pytest.fixture
def parked() -> dict[str, Any]:

    bundle: dict[str, Any] = json.loads(PARKED.read_text())
    return bundle


@pytest.mark.parametrize(
    "query", ["?target=levothyroxine", "?basis=nobody", "?as-of=2025-3-3", "?deployment="]
)
def test_an_option_that_it_does_not_take_is_refused(post: Callable[..., Any], query: str) -> None:
    answer = post(PARKED.read_bytes(), query, SCREEN)
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_the_id_depends_on_the_deployment_and_not_on_the_day(post: Callable[..., Any]) -> None:
    def own_id(query: str) -> str:
        found: str = issues(post(PARKED.read_bytes(), query, SCREEN).json())[0]["id"]
        return found

    assert own_id("?as-of=2025-03-03") == own_id("?as-of=2025-03-20")
    assert own_id("?as-of=2025-03-03") != own_id("?as-of=2025-03-03&deployment=other")


def test_a_switch_with_both_doses_unread_needs_review(
    post: Callable[..., Any], parked: dict[str, Any]
) -> None:
    for entry in parked["entry"]:
        if entry["resource"]["resourceType"] == "MedicationStatement":
            entry["resource"]["dosage"] = [{"text": "as directed"}]
    answer = post(parked, "?as-of=2025-03-03", SCREEN).json()
    said = answer["entry"][0]["resource"]["issue"][0]
    assert said["details"]["text"].startswith("needs review: ")
    assert said["severity"] == "warning"
