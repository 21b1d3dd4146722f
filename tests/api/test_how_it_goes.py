"""How it goes, end to end: the questions as they are published, the answers as they are sent."""

import json
from collections.abc import Callable

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from .calls import AS_OF, LT4, PATIENTS, Resource

Post = Callable[..., httpx.Response]
ASKED = "Questionnaire/how-it-goes"


def questions(client: TestClient, version: str) -> Resource:
    found: Resource = client.get(f"/fhir/{version}/{ASKED}").json()
    return found


def answered(record: Resource, asked: Resource, **said: object) -> Resource:
    """The record with answers to the questions as they were published."""
    patient = next(
        e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    kinds = {item["linkId"]: item["type"] for item in asked["item"]}
    items = [
        {"linkId": link_id, "answer": [{f"value{kinds[link_id].capitalize()}": value}]}
        for name, value in said.items()
        if (link_id := name.replace("_", "-"))
    ]
    response = {
        "resourceType": "QuestionnaireResponse",
        "id": "said-1",
        "questionnaire": f"{asked['url']}|{asked['version']}",
        "status": "completed",
        "subject": {"reference": f"Patient/{patient['id']}"},
        "authored": AS_OF,
        "item": items,
    }
    return {**record, "entry": [*record["entry"], {"resource": response}]}


def ending_and_issues(answer: Resource) -> tuple[str, set[str]]:
    resources = [e["resource"] for e in answer["entry"]]
    codes = {
        r["code"]["coding"][0]["code"] for r in resources if r["resourceType"] == "DetectedIssue"
    }
    ordered = any(r["resourceType"] == "MedicationRequest" for r in resources)
    return ("plan" if ordered else "none"), codes


@pytest.mark.parametrize(
    ("said", "ending", "code"),
    [
        ({"chest_pain": True}, "none", "chest-pain-reported"),
        ({"palpitations": True}, "plan", "new-palpitations"),
        ({"missed_days": 3}, "plan", "doses-missed"),
        ({"jitters": True}, "plan", "symptoms-reported"),
    ],
)
def test_what_the_patient_says_is_a_finding_of_the_answer(
    client: TestClient, post: Post, said: dict[str, object], ending: str, code: str
) -> None:
    record = json.loads((PATIENTS / LT4).read_text())
    sent = answered(record, questions(client, "r4"), **said)
    query = f"?target=desiccated-thyroid&as-of={AS_OF}"
    before = ending_and_issues(post(record, query).json())
    after = ending_and_issues(post(sent, query).json())
    assert (before[0], code in before[1]) == ("plan", False)
    assert (after[0], code in after[1]) == (ending, True)


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_the_questions_are_published_and_named_by_the_capability_statement(
    client: TestClient, version: str
) -> None:
    asked = questions(client, version)
    assert [item["linkId"] for item in asked["item"]][:2] == ["palpitations", "chest-pain"]
    rest = client.get(f"/fhir/{version}/metadata").json()["rest"][0]
    assert "Questionnaire" in {resource["type"] for resource in rest["resource"]}
