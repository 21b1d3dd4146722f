"""Discovery, the shape of a call, and feedback: read as CDS Hooks 2.0 has it."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from fastapi.testclient import TestClient

from .calls import LT4, Resource
from .hooks import INSTANCE, ORDER, REVIEW, call, grains

FEEDBACK = f"{ORDER}/feedback"


def test_discovery_lists_every_service_with_its_prefetch(client: TestClient) -> None:
    answer = client.get("/cds-services")
    assert answer.headers["content-type"] == "application/json"
    services = answer.json()["services"]
    assert [(s["id"], s["hook"]) for s in services] == [
        ("thyroid-order", "order-select"),
        ("thyroid-order", "order-sign"),
        ("thyroid-switch-review", "patient-view"),
    ]
    for service in services:
        assert {"hook", "id", "title", "description", "prefetch", "usageRequirements"} == set(
            service
        ) - {"version"}
        assert service["prefetch"]["patient"] == "Patient/{{context.patientId}}"


def test_what_only_a_plan_that_runs_needs_is_asked_for_where_a_chart_is_opened(
    client: TestClient,
) -> None:
    for service in client.get("/cds-services").json()["services"]:
        of_chart = {"bloodTests", "tasks", "howItGoes"} & service["prefetch"].keys()
        assert bool(of_chart) is (service["hook"] == "patient-view")


def test_prefetch_templates_keep_to_the_subset_that_is_recommended(client: TestClient) -> None:
    # CDS Hooks 2.0, "Prefetch query restrictions": reads; searches by reference and by token, and
    # `_count`. Code, category, intent and status are tokens; a questionnaire is a reference.
    by_more = r"(&(code|category|questionnaire|intent|status)=[^&]+)*(&_count=\d+)?"
    of_patient = r"\{\{context\.patientId\}\}"
    allowed = rf"[A-Z]\w+(/{of_patient}|\?patient={of_patient}{by_more})"
    for service in client.get("/cds-services").json()["services"]:
        for template in service["prefetch"].values():
            assert re.fullmatch(allowed, template), template


def test_the_laboratory_template_asks_for_every_code_that_is_read(
    client: TestClient, catalogue: Any
) -> None:
    template = client.get("/cds-services").json()["services"][0]["prefetch"]["observations"]
    asked = set(re.findall(r"http://loinc\.org\|([\d-]+)", template))
    assert asked == {*catalogue.codes.labs, "82810-3"}


def change(path: str, value: Any) -> Callable[[Resource], None]:
    def apply(body: Resource) -> None:
        *parents, last = path.split(".")
        for parent in parents:
            body = body[parent]
        if value is None:
            del body[last]
        else:
            body[last] = value

    return apply


WRONG = [
    ("hook", None, "hook"),
    ("hook", "patient-view", "hook"),
    ("hookInstance", None, "hookInstance"),
    ("hookInstance", "1", "hookInstance"),
    ("context", None, "context"),
    ("context", [], "context"),
    ("context.patientId", None, "context.patientId"),
    ("context.patientId", "Patient/p01", "context.patientId"),
    ("context.userId", None, "context.userId"),
    ("context.userId", "p01", "context.userId"),
    ("context.encounterId", "", "context.encounterId"),
    ("context.draftOrders", None, "context.draftOrders"),
    ("context.draftOrders", {"resourceType": "List"}, "context.draftOrders"),
    ("context.draftOrders.entry", {}, "context.draftOrders.entry"),
    ("context.draftOrders.entry", [{}], "context.draftOrders.entry[0].resource"),
    ("context.selections", None, "context.selections"),
    ("context.selections", "MedicationRequest/rx-1", "context.selections"),
    ("context.selections", ["rx-1"], "context.selections"),
    ("context.selections", ["MedicationRequest/rx-9"], "context.selections[0]"),
    ("prefetch", [], "prefetch"),
    ("fhirServer", 1, "fhirServer"),
    ("fhirAuthorization", {"access_token": "t", "token_type": "Bearer"}, "fhirServer"),
    ("fhirAuthorization", "t", "fhirAuthorization"),
]


@pytest.mark.parametrize(("path", "value", "place"), WRONG)
def test_a_misshapen_call_is_400_by_its_place(
    client: TestClient, path: str, value: Any, place: str
) -> None:
    body = call(LT4, [grains(60, "p01")], "order-select")
    change(path, value)(body)
    answer = client.post(ORDER, json=body)
    assert answer.status_code == 400, answer.text
    assert answer.json()["issue"][0]["expression"] == [place]


def test_a_key_that_stands_twice_is_400_by_its_place_in_the_call(client: TestClient) -> None:
    body = json.dumps(call(LT4, [grains(60, "p01")]))
    body = body.replace('"patientId":', '"patientId": "p02", "patientId":', 1)
    answer = client.post(ORDER, content=body, headers={"content-type": "application/json"})
    assert answer.status_code == 400, answer.text
    assert answer.json()["issue"][0]["expression"] == ["context.patientId"]


def test_two_orders_of_one_id_are_refused_unless_they_are_the_same(client: TestClient) -> None:
    """Else one of them would be judged, and nobody could tell which."""
    twice = call(LT4, [grains(60, "p01"), grains(60, "p01")])
    assert client.post(ORDER, json=twice).status_code == 200
    other = call(LT4, [grains(60, "p01"), grains(120, "p01")])
    answer = client.post(ORDER, json=other)
    assert answer.status_code == 400
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == ["context.draftOrders.entry[1].resource.id"]


def test_a_token_without_its_type_is_refused(client: TestClient) -> None:
    body = call(LT4, [grains(60, "p01")])
    body |= {"fhirServer": "https://ehr.example/fhir", "fhirAuthorization": {"access_token": "t"}}
    answer = client.post(ORDER, json=body)
    assert answer.json()["issue"][0]["expression"] == ["fhirAuthorization.token_type"]


def test_an_order_of_another_patient_is_refused(client: TestClient) -> None:
    answer = client.post(ORDER, json=call(LT4, [grains(60, "p02")]))
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == [
        "context.draftOrders.entry[0].resource.subject"
    ]


def test_an_unknown_service_is_404_and_a_query_is_refused(client: TestClient) -> None:
    body = call(LT4, [grains(60, "p01")])
    assert client.post("/cds-services/none", json=body).status_code == 404
    assert client.post("/cds-services/none/feedback", json=body).status_code == 404
    assert client.post(f"{ORDER}?patient=p01", json=body).status_code == 400
    assert client.get("/cds-services?patient=p01").status_code == 400
    assert client.get(ORDER).status_code == 405


def entry(**changes: Any) -> Resource:
    good = {
        "card": INSTANCE,
        "outcome": "accepted",
        "acceptedSuggestions": [{"id": INSTANCE}],
        "outcomeTimestamp": "2025-03-03T10:05:31Z",
    }
    return {key: value for key, value in {**good, **changes}.items() if value is not None}


REASON = {
    "code": "labs-support",
    "system": "http://crossgrain.example/fhir/CodeSystem/override-reason",
}
OVERRIDDEN = {"outcome": "overridden", "acceptedSuggestions": None}


@pytest.mark.parametrize(
    "sent",
    [
        [entry()],
        [entry(outcomeTimestamp="1985-04-12T23:20:50.52Z")],  # the specification's example
        [entry(**OVERRIDDEN)],
        [entry(**OVERRIDDEN, overrideReason={"reason": REASON, "userComment": "Zz9marked"})],
        [entry(**OVERRIDDEN, overrideReason={"userComment": "Zz9marked"})],
        [entry(), entry(**OVERRIDDEN)],
        [entry(extension={"example.x": 1})],
        [entry(more=1)],
        [entry(outcomeTimestamp="2025-03-03T10:05:31+02:00")],
        [entry(**OVERRIDDEN, overrideReason={})],
    ],
)
@pytest.mark.parametrize("service", [ORDER, REVIEW])
def test_feedback_is_taken(client: TestClient, service: str, sent: list[Resource]) -> None:
    answer = client.post(f"{service}/feedback", json={"feedback": sent})
    assert (answer.status_code, answer.content) == (200, b"")


@pytest.mark.parametrize(
    ("sent", "place"),
    [
        ({}, "feedback"),
        ({"feedback": []}, "feedback"),
        ({"feedback": {}}, "feedback"),
        ({"feedback": [1]}, "feedback[0]"),
        ({"feedback": [entry(card=None)]}, "feedback[0].card"),
        ({"feedback": [entry(card="x")]}, "feedback[0].card"),
        ({"feedback": [entry(outcome="ignored")]}, "feedback[0].outcome"),
        ({"feedback": [entry(acceptedSuggestions=None)]}, "feedback[0].acceptedSuggestions"),
        ({"feedback": [entry(acceptedSuggestions=[])]}, "feedback[0].acceptedSuggestions"),
        (
            {"feedback": [entry(acceptedSuggestions=[INSTANCE])]},
            "feedback[0].acceptedSuggestions[0]",
        ),
        ({"feedback": [entry(outcome="overridden")]}, "feedback[0].acceptedSuggestions"),
        ({"feedback": [entry(outcomeTimestamp=None)]}, "feedback[0].outcomeTimestamp"),
        ({"feedback": [entry(outcomeTimestamp="yesterday")]}, "feedback[0].outcomeTimestamp"),
        (
            {"feedback": [entry(overrideReason={"userComment": "x"})]},
            "feedback[0].overrideReason",
        ),
        ({"feedback": [entry(**OVERRIDDEN, overrideReason=[])]}, "feedback[0].overrideReason"),
        (
            {"feedback": [entry(**OVERRIDDEN, overrideReason={"reason": {"code": "x"}})]},
            "feedback[0].overrideReason.reason",
        ),
        (
            {"feedback": [entry(**OVERRIDDEN, overrideReason={"userComment": 5})]},
            "feedback[0].overrideReason.userComment",
        ),
    ],
)
def test_feedback_that_the_specification_does_not_allow_is_400(
    client: TestClient, sent: Resource, place: str
) -> None:
    answer = client.post(FEEDBACK, json=sent)
    assert answer.status_code == 400
    assert [place] in [issue["expression"] for issue in answer.json()["issue"]]
