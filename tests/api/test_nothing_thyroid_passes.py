"""What may be thyroid hormone is asked about wherever the service answers."""

import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from .calls import COMPARE, PATIENTS, PROPOSE, Resource
from .hooks import ORDER, REVIEW, call, levothyroxine

LT4 = "01-levothyroxine-150.json"
SCREEN = "/fhir/r4/$screen-switches"
NDC = "http://hl7.org/fhir/sid/ndc"
BRAND = {"coding": [{"system": NDC, "code": "99999-0000-01", "display": "House Blue 100"}]}
CODE_ALONE = {"coding": [{"system": NDC, "code": "99999-0000-01"}]}
LOOKS_SO = {"text": "thyro-complex 100"}
UNKNOWN: dict[str, Resource] = {
    "a name that looks like one": {"medicationCodeableConcept": LOOKS_SO},
    "an unknown code alone": {"medicationCodeableConcept": CODE_ALONE},
    "a reason": {
        "medicationCodeableConcept": BRAND,
        "reasonCode": [{"text": "hypothyroidism"}],
    },
}
Post = Callable[..., httpx.Response]


def beside(**more: Any) -> Resource:
    """The patient on levothyroxine, with one medicine more."""
    bundle: Resource = json.loads((PATIENTS / LT4).read_text())
    patient = next(
        e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    bundle["entry"].append(
        {
            "resource": {
                "resourceType": "MedicationRequest",
                "id": "one-more",
                "status": "active",
                "intent": "order",
                "subject": {"reference": f"Patient/{patient['id']}"},
                "authoredOn": "2025-01-05",
                **more,
            }
        }
    )
    return bundle


def with_it(unknown: str) -> tuple[Resource, str]:
    bundle = beside(**UNKNOWN[unknown])
    return bundle, f"Bundle.entry[{len(bundle['entry']) - 1}].resource.medication"


@pytest.mark.parametrize("unknown", UNKNOWN)
def test_a_proposal_asks_what_it_is(post: Post, unknown: str) -> None:
    bundle, place = with_it(unknown)
    answer = post(bundle, "?target=desiccated-thyroid&as-of=2025-03-03", PROPOSE).json()
    kinds = [entry["resource"]["resourceType"] for entry in answer["entry"]]
    assert "MedicationRequest" not in kinds
    assert f'"{place}"' in json.dumps(answer)


@pytest.mark.parametrize("unknown", UNKNOWN)
def test_a_comparison_asks_what_it_is(post: Post, unknown: str) -> None:
    bundle, place = with_it(unknown)
    parts = post(bundle, "?as-of=2025-03-03", COMPARE).json()["parameter"]
    assert parts[0] == {"name": "outcome", "valueCode": "data-required"}
    assert place in [p["part"][0]["valueString"] for p in parts if p["name"] == "question"]


@pytest.mark.parametrize("unknown", UNKNOWN)
def test_the_screening_lists_it_for_review(post: Post, unknown: str) -> None:
    answer = post(with_it(unknown)[0], "?as-of=2025-03-03", SCREEN).json()
    (issue,) = answer["entry"][0]["resource"]["issue"]
    assert issue["code"] == "incomplete"
    assert "MedicationRequest/one-more" in issue["diagnostics"]


@pytest.mark.parametrize("unknown", UNKNOWN)
def test_a_card_at_signing_asks_what_stands_beside_the_order(
    client: TestClient, unknown: str
) -> None:
    hook = call(LT4, [levothyroxine(125, "p01")])
    entries = hook["prefetch"]["medicationStatements"] or hook["prefetch"]["medicationRequests"]
    more = beside(**UNKNOWN[unknown])["entry"][-1]["resource"]
    more |= {"resourceType": entries["entry"][0]["resource"]["resourceType"],
             "effectiveDateTime": "2025-01-05"}  # fmt: skip
    if more["resourceType"] == "MedicationStatement":
        del more["intent"], more["authoredOn"]
    entries["entry"].append({"resource": more, "search": {"mode": "match"}})
    entries["total"] += 1
    (card,) = client.post(ORDER, json=hook).json()["cards"]
    assert "something must be answered first" in card["summary"]


@pytest.mark.parametrize("unknown", UNKNOWN)
def test_an_order_that_may_be_hormone_is_asked_about(client: TestClient, unknown: str) -> None:
    draft = {key: value for key, value in levothyroxine(125, "p01").items()
             if key != "medicationCodeableConcept"}  # fmt: skip
    cards = client.post(ORDER, json=call(LT4, [{**draft, **UNKNOWN[unknown]}])).json()["cards"]
    assert [c["indicator"] for c in cards] == ["info"]
    assert "something must be answered first" in cards[0]["summary"]


def test_an_order_whose_reason_is_a_condition_of_the_thyroid_is_asked_about(
    client: TestClient,
) -> None:
    hook = call(LT4, [{**levothyroxine(125, "p01"), "medicationCodeableConcept": BRAND}])
    assert client.post(ORDER, json=hook).json()["cards"] == []
    condition = hook["prefetch"]["conditions"]["entry"][0]["resource"]
    order = hook["context"]["draftOrders"]["entry"][0]["resource"]
    order["reasonReference"] = [{"reference": f"Condition/{condition['id']}"}]
    (card,) = client.post(ORDER, json=hook).json()["cards"]
    assert "something must be answered first" in card["summary"]


@pytest.mark.parametrize("unknown", UNKNOWN)
def test_a_chart_that_is_opened_says_that_it_needs_review(client: TestClient, unknown: str) -> None:
    hook = call(LT4, [], "patient-view")
    more = beside(**UNKNOWN[unknown])["entry"][-1]["resource"]
    hook["prefetch"]["medicationRequests"] = {
        "resourceType": "Bundle", "type": "searchset", "total": 1, "entry": [{"resource": more}],
    }  # fmt: skip
    (card,) = client.post(REVIEW, json=hook).json()["cards"]
    assert "needs review" in card["summary"]


@pytest.mark.parametrize(
    "status", [{"status": "unknown"}, {"intent": "instance-order"}, {"status": "current"}]
)
def test_a_medicine_that_is_no_hormone_changes_no_dose(post: Post, status: dict[str, str]) -> None:
    metformin = beside(medicationCodeableConcept={"text": "metformin 500 mg"}, **status)
    query = "?target=desiccated-thyroid&as-of=2025-03-03"
    answers = [post(bundle, query).json() for bundle in (beside_nothing(), metformin)]
    doses = [
        [
            entry["resource"]["dosageInstruction"]
            for entry in answer["entry"]
            if entry["resource"]["resourceType"] == "MedicationRequest"
        ]
        for answer in answers
    ]
    assert doses[0]
    assert doses[0] == doses[1]


def beside_nothing() -> Resource:
    bundle: Resource = json.loads((PATIENTS / LT4).read_text())
    return bundle


@pytest.mark.parametrize("status", ["stopped", "draft", "cancelled"])
def test_a_record_in_which_no_hormone_is_taken_is_not_compared(post: Post, status: str) -> None:
    """A hormone of the past, or only ordered, is not 0 µg."""
    bundle = beside_nothing()
    for entry in bundle["entry"]:
        if entry["resource"]["resourceType"] == "MedicationStatement":
            entry["resource"]["status"] = "stopped"
        if entry["resource"]["resourceType"] == "MedicationRequest":
            entry["resource"]["status"] = status
    parts = post(bundle, "?as-of=2025-03-03", COMPARE).json()["parameter"]
    assert parts[0]["valueCode"] == "data-required"
    assert [p["name"] for p in parts if p["name"] in {"daily-hormone", "basis"}] == []
    assert any(p["name"] == "question" for p in parts)
