"""A plan that comes beside the record is held to what the record is: whose, of which version."""

import copy
import json
from collections.abc import Callable, Iterator
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from tests.conformance.r5_records import as_r5

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings
from crossgrain.names.identity import RESOURCE_SYSTEM
from crossgrain.names.series_extension import SERIES_URL

from .calls import AS_OF, FHIR, RECORD, VISITS, Resource
from .test_next_step import record_of
from .test_options import only_issue

VISIT = "2025-03-20"
PLAN = "Parameters.parameter[2].resource"
Asked = Callable[..., httpx.Response]


@pytest.fixture(scope="module")
def client(catalogue: Catalogue) -> Iterator[TestClient]:
    """A service with a roomy body: a record and an earlier answer are sent together."""
    with TestClient(create_app(Settings(), catalogue)) as client:
        yield client


def proposed(client: TestClient, version: str = "r4", **more: str) -> Resource:
    record = json.loads(RECORD)
    asked = {"target": "desiccated-thyroid", "as-of": AS_OF, **more}
    answer = client.post(
        f"/fhir/{version}/$propose-switch",
        params=asked,
        content=json.dumps(record if version == "r4" else as_r5(record)),
        headers=FHIR,
    )
    assert answer.status_code == 200, answer.text
    body: Resource = answer.json()
    return body


@pytest.fixture(scope="module")
def day_one(client: TestClient) -> str:
    return json.dumps(proposed(client))


@pytest.fixture
def plan(day_one: str) -> Resource:
    """The answer of day one, fresh for each test."""
    read: Resource = json.loads(day_one)
    return read


@pytest.fixture
def ask(client: TestClient) -> Asked:
    def asked(plan: Resource, *more: Resource, version: str = "r4", **other: Any) -> httpx.Response:
        record = other.get("record") or json.loads(RECORD)
        parts = [
            {"name": "record", "resource": record if version == "r4" else as_r5(record)},
            {"name": "as-of", "valueDate": other.get("as_of", VISIT)},
            {"name": "plan", "resource": plan},
            *more,
        ]
        body = {"resourceType": "Parameters", "parameter": parts}
        return client.post(f"/fhir/{version}/$next-step", content=json.dumps(body), headers=FHIR)

    return asked


TO_FILE = {"name": "response", "valueCode": "transaction"}


def care_plan_of(plan: Resource) -> Resource:
    (found,) = (r for r in resources(plan) if r["resourceType"] == "CarePlan")
    return found


def resources(plan: Resource) -> list[Resource]:
    return [entry["resource"] for entry in plan["entry"]]


def act(answer: httpx.Response) -> str:
    assert answer.status_code == 200, answer.text
    guidance = answer.json()["entry"][0]["resource"]
    (working,) = (c for c in guidance["contained"] if c["resourceType"] == "Parameters")
    (step,) = (p for p in working["parameter"] if p["name"] == "next-step")
    found: str = next(p["valueCode"] for p in step["part"] if p["name"] == "act")
    return found


def climbs(answer: httpx.Response) -> bool:
    """Whether it orders the medicine that the plan was to climb to."""
    orders = [r for r in resources(answer.json()) if r["resourceType"] == "MedicationRequest"]
    return any("desiccated" in json.dumps(o["medicationCodeableConcept"]) for o in orders)


def refused(answer: httpx.Response, place: str, words: str) -> None:
    issue = only_issue(answer)
    assert answer.status_code == 422, answer.text
    assert issue["expression"] == [place]
    assert words in issue["diagnostics"]


def is_of(resource: Resource, patient: str) -> None:
    for element in ("subject", "for", "patient"):
        if element in resource:
            resource[element] = {"reference": patient}


def test_the_plan_of_this_patient_goes_on(ask: Asked, plan: Resource) -> None:
    assert act(ask(plan)) == "continue"
    assert act(ask(care_plan_of(plan))) == "continue"


# --- whose it is ---------------------------------------------------------------------------------


@pytest.mark.parametrize("more", [(), (TO_FILE,)])
def test_another_patients_plan_is_refused(
    ask: Asked, plan: Resource, more: tuple[Resource, ...]
) -> None:
    for resource in resources(plan):
        is_of(resource, "Patient/p02")
    refused(ask(plan, *more), f"{PLAN}.entry[0].resource.subject", "another patient")
    refused(ask(care_plan_of(plan), *more), f"{PLAN}.subject", "another patient")


@pytest.mark.parametrize(
    ("kind", "element"),
    [
        ("CarePlan", "subject"),
        ("MedicationRequest", "subject"),
        ("ServiceRequest", "subject"),
        ("Task", "for"),
        ("RequestGroup", "subject"),
        ("DetectedIssue", "patient"),
    ],
)
@pytest.mark.parametrize(
    ("said", "words"),
    [({"reference": "Patient/p02"}, "another patient"), ({}, "cannot be told"), (None, "cannot")],
)
def test_one_resource_of_another_patient_is_refused_where_it_stands(
    ask: Asked, plan: Resource, kind: str, element: str, said: Resource | None, words: str
) -> None:
    number = next(n for n, r in enumerate(resources(plan)) if r["resourceType"] == kind)
    resource = plan["entry"][number]["resource"]
    assert resource.pop(element)
    if said is not None:
        resource[element] = said
    refused(ask(plan, TO_FILE), f"{PLAN}.entry[{number}].resource.{element}", words)


def test_an_order_of_another_patient_that_is_named_as_ours_is_not_carried_along(
    ask: Asked, plan: Resource
) -> None:
    own = "11111111-1111-4111-8111-111111111111"
    order = {
        "resourceType": "MedicationRequest",
        "id": own,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own}],
        "status": "active",
        "intent": "order",
        "subject": {"reference": "Patient/p02"},
        "medicationCodeableConcept": {"text": "a medicine"},
    }
    number = len(plan["entry"])
    plan["entry"].append({"fullUrl": f"urn:uuid:{own}", "resource": order})
    refused(ask(plan, TO_FILE), f"{PLAN}.entry[{number}].resource.subject", "another patient")


def test_a_patient_in_the_plan_is_this_one(ask: Asked, plan: Resource) -> None:
    (own,) = (e for e in json.loads(RECORD)["entry"] if e["resource"]["resourceType"] == "Patient")
    with_own, with_other = copy.deepcopy(plan), copy.deepcopy(plan)
    with_own["entry"].append(own)
    assert act(ask(with_own)) == "continue"
    with_other["entry"].append({"resource": {"resourceType": "Patient", "id": "p02"}})
    place = f"{PLAN}.entry[{len(plan['entry'])}].resource"
    refused(ask(with_other), place, "another patient")


# --- of which version ----------------------------------------------------------------------------


@pytest.mark.parametrize("more", [(), (TO_FILE,)])
@pytest.mark.parametrize(("made", "asked"), [("r4", "r5"), ("r5", "r4")])
def test_a_plan_of_the_other_version_is_refused_where_it_shows(
    client: TestClient, ask: Asked, made: str, asked: str, more: tuple[Resource, ...]
) -> None:
    other = proposed(client, made)
    issue = only_issue(answer := ask(other, *more, version=asked))
    assert (answer.status_code, issue["code"]) == (422, "not-supported")
    assert issue["expression"][0].startswith(f"{PLAN}.entry[")
    assert made.upper() in issue["diagnostics"]
    refused(ask(care_plan_of(other), *more, version=asked), PLAN, f"is of {made.upper()}")


def test_a_plan_of_r5_goes_on_in_r5(client: TestClient, ask: Asked) -> None:
    assert act(ask(proposed(client, "r5"), version="r5")) == "continue"


# --- whether it runs -----------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["revoked", "completed", "entered-in-error"])
def test_a_plan_that_is_closed_does_not_go_on_and_that_is_said(
    ask: Asked, plan: Resource, status: str
) -> None:
    care_plan = care_plan_of(plan)
    care_plan["status"] = status
    for given in (plan, care_plan):
        answer = ask(given)
        assert act(answer) != "continue"
        assert not climbs(answer)
        assert "The plan that was given is closed" in answer.text


def test_a_plan_of_which_all_is_entered_in_error_does_not_go_on(ask: Asked, plan: Resource) -> None:
    for resource in resources(plan):
        if "status" in resource:
            resource["status"] = "entered-in-error"
    answer = ask(plan)
    assert act(answer) != "continue"
    assert not climbs(answer)


# --- whether it can be read ----------------------------------------------------------------------


def lost(care_plan: Resource) -> None:
    del care_plan["extension"]


def missing(care_plan: Resource) -> None:
    care_plan["extension"][0]["extension"].pop(0)


def doubled(care_plan: Resource) -> None:
    parts = care_plan["extension"][0]["extension"]
    parts.append(copy.deepcopy(parts[0]))


def unknown(care_plan: Resource) -> None:
    care_plan["extension"][0]["extension"].append({"url": "other", "valueString": "x"})


def twice(care_plan: Resource) -> None:
    care_plan["extension"] *= 2


@pytest.mark.parametrize("change", [lost, missing, doubled, unknown, twice])
def test_a_care_plan_that_does_not_say_of_what_plan_it_is_is_refused(
    ask: Asked, plan: Resource, change: Callable[[Resource], None]
) -> None:
    change(care_plan_of(plan))
    refused(ask(care_plan_of(plan)), PLAN, "whole answer")


@pytest.mark.parametrize("change", [missing, doubled, unknown, twice])
def test_within_a_whole_answer_it_is_refused_where_it_stands(
    ask: Asked, plan: Resource, change: Callable[[Resource], None]
) -> None:
    change(care_plan_of(plan))
    number = next(n for n, r in enumerate(resources(plan)) if r["resourceType"] == "CarePlan")
    refused(ask(plan), f"{PLAN}.entry[{number}].resource", "whole answer")


def test_a_brief_answer_is_refused_with_words_on_which_to_give(
    client: TestClient, ask: Asked
) -> None:
    refused(ask(proposed(client, detail="brief")), PLAN, "detail=brief")


def test_an_answer_without_a_plan_is_refused(ask: Asked, plan: Resource) -> None:
    kept = [e for e in plan["entry"] if e["resource"]["resourceType"] == "GuidanceResponse"]
    refused(ask({**plan, "entry": kept}), PLAN, "no plan")


# --- where its faults are placed -----------------------------------------------------------------


def test_a_fault_of_its_structure_is_placed_in_it(ask: Asked, plan: Resource) -> None:
    plan["entry"][1]["resource"]["status"] = 1
    answer = ask(plan)
    assert (answer.status_code, only_issue(answer)["expression"]) == (
        400,
        [f"{PLAN}.entry[1].resource.status"],
    )


def test_what_it_refers_to_and_no_server_could_find_is_placed_in_it(
    ask: Asked, plan: Resource
) -> None:
    care_plan = care_plan_of(plan) | {"id": "77"}
    refused(ask(care_plan, TO_FILE), PLAN, "the plan refers to")


def test_what_is_asked_of_it_is_placed_in_it(ask: Asked, plan: Resource) -> None:
    answer = ask(care_plan_of(plan), as_of="2025-03-02")
    assert asked_at(answer) == [PLAN]


def asked_at(answer: httpx.Response) -> list[str]:
    """Where an answer asks."""
    assert answer.status_code == 200, answer.text
    guidance = answer.json()["entry"][0]["resource"]
    (outcome,) = (c for c in guidance["contained"] if c["resourceType"] == "OperationOutcome")
    return [i["expression"][0] for i in outcome["issue"] if i["severity"] == "error"]


def bare(visit: str) -> Resource:
    """The record of a visit whose orders have lost what they say of their plan."""
    record = record_of(visit)
    record["entry"] = [e for e in record["entry"] if e["resource"]["resourceType"] != "CarePlan"]
    for entry in record["entry"]:
        held = entry["resource"].get("extension", [])
        entry["resource"]["extension"] = [e for e in held if e["url"] != SERIES_URL]
    return record


def test_a_climb_beside_a_closed_plan_asks_for_no_plan_that_was_given(
    ask: Asked, plan: Resource
) -> None:
    as_of = next(v["as_of"] for v in VISITS if v["name"] == "on-time")
    care_plan_of(plan)["status"] = "revoked"
    answer = ask(plan, record=bare("on-time"), as_of=as_of)
    assert act(answer) == "ask"
    assert "Give the plan as it was proposed" not in answer.text
    assert "The plan that was given is closed" in answer.text
