"""Whatever is sent to $next-step, the answer is a step or an OperationOutcome, never a crash."""

import copy
import json
from typing import Any

from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from tests.properties.reading.mutations import places

from .calls import FHIR, FIXTURES
from .test_any_input import FUZZ, anything

NEXT = "/fhir/r4/$next-step"
VISITS = [json.loads(path.read_text()) for path in sorted((FIXTURES / "visits").glob("*.json"))]
AS_OF = {"name": "as-of", "valueDate": "2025-04-17"}


@st.composite
def broken(draw: st.DrawFn) -> dict[str, Any]:
    """A record of a visit with up to three values replaced, removed or doubled."""
    record: dict[str, Any] = copy.deepcopy(draw(st.sampled_from(VISITS)))
    every = places(record)
    for _ in range(draw(st.integers(1, 3))):
        container, key = draw(st.sampled_from(every))
        match draw(st.sampled_from(["replace", "remove", "wrap"])):
            case "replace":
                container[key] = draw(anything)
            case "remove" if isinstance(container, dict):
                container.pop(key, None)
            case _ if isinstance(container, list) or key in container:
                container[key] = [container[key], container[key]]
    return record


def answered(client: TestClient, call: Any) -> None:
    answer = client.post(NEXT, content=json.dumps(call).encode(), headers=FHIR)
    resource = answer.json()
    if answer.status_code == 200:
        assert resource["entry"][0]["resource"]["resourceType"] == "GuidanceResponse"
    else:
        assert 400 <= answer.status_code < 500, answer.text
        assert resource["resourceType"] == "OperationOutcome"
        assert resource["issue"][0]["diagnostics"]


def call(record: Any, *more: dict[str, Any]) -> dict[str, Any]:
    parts = [{"name": "record", "resource": record}, AS_OF, *more]
    return {"resourceType": "Parameters", "parameter": parts}


@FUZZ
@given(record=broken())
def test_a_broken_record_of_a_visit_is_answered_or_refused(
    client: TestClient, record: dict[str, Any]
) -> None:
    answered(client, call(record))


@FUZZ
@given(plan=broken())
def test_a_broken_plan_is_answered_or_refused(client: TestClient, plan: dict[str, Any]) -> None:
    patients = [e for e in VISITS[0]["entry"] if e["resource"]["resourceType"] != "CarePlan"]
    record = {**VISITS[0], "entry": patients}
    to_file = {"name": "response", "valueCode": "transaction"}
    answered(client, call(record, {"name": "plan", "resource": plan}, to_file))


@FUZZ
@given(plan=anything)
def test_any_json_as_the_plan_is_answered_or_refused(client: TestClient, plan: Any) -> None:
    answered(client, call(VISITS[0], {"name": "plan", "resource": plan}))
    answered(client, call(plan))
