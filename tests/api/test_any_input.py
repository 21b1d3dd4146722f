"""Whatever is sent, the answer is a proposal or an OperationOutcome, and never a crash."""

import copy
import json
from typing import Any

from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.budget import examples
from tests.properties.reading.mutations import places

from .calls import FHIR, PATIENTS, PROPOSE, QUERY

RECORDS = [json.loads(path.read_text()) for path in sorted(PATIENTS.iterdir())]
FUZZ = settings(
    examples(150),
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=12)
    | st.sampled_from(["", "0001-01-01", "9999-12-31", "2025-02-30", "urn:uuid:x", "Patient/p01"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)


@st.composite
def broken_records(draw: st.DrawFn) -> dict[str, Any]:
    """An invented patient's record with up to three values replaced, removed or doubled."""
    record: dict[str, Any] = copy.deepcopy(draw(st.sampled_from(RECORDS)))
    for _ in range(draw(st.integers(1, 3))):
        container, key = draw(st.sampled_from(places(record)))
        match draw(st.sampled_from(["replace", "remove", "wrap"])):
            case "replace":
                container[key] = draw(anything)
            case "remove":
                del container[key]
            case "wrap":
                container[key] = [container[key], container[key]]
    return record


def answered(client: TestClient, body: bytes) -> int:
    """The status of the answer, which is a proposal or an OperationOutcome."""
    answer = client.post(PROPOSE + QUERY, content=body, headers=FHIR)
    resource = answer.json()
    if answer.status_code == 200:
        assert resource["entry"][0]["resource"]["resourceType"] == "GuidanceResponse"
    else:
        assert 400 <= answer.status_code < 500, answer.text
        assert resource["resourceType"] == "OperationOutcome"
        assert resource["issue"][0]["diagnostics"]
    return answer.status_code


@FUZZ
@given(record=broken_records())
def test_a_broken_record_is_answered_or_refused(client: TestClient, record: dict[str, Any]) -> None:
    answered(client, json.dumps(record).encode())


@FUZZ
@given(value=anything)
def test_any_json_is_refused_or_answered(client: TestClient, value: Any) -> None:
    answered(client, json.dumps(value).encode())
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "record"}, value]}
    answered(client, json.dumps(parameters).encode())


@FUZZ
@given(body=st.binary(max_size=60))
def test_any_bytes_are_refused(client: TestClient, body: bytes) -> None:
    assert answered(client, body) != 200
