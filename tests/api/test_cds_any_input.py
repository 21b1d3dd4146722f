"""Whatever is sent to a CDS route, or as a token, is answered or refused, and never a crash."""

import copy
import json
from typing import Any

from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.budget import examples
from tests.properties.reading.mutations import places

from crossgrain.auth.tokens import NotKnown, read_header, unverified_issuer

from .hooks import ORDER, REVIEW, call, grains
from .signing import part
from .test_any_input import anything

FUZZ = settings(
    examples(120),
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
CALLS = [
    call("01-levothyroxine-150.json", [grains(60, "p01")]),
    call("02-desiccated-120.json", [grains(60, "p02")], "order-select"),
    call("15-switched-at-half-the-dose.json", [], "patient-view"),
]


@st.composite
def broken_calls(draw: st.DrawFn) -> dict[str, Any]:
    """A call with up to three values replaced or removed."""
    body: dict[str, Any] = copy.deepcopy(draw(st.sampled_from(CALLS)))
    for _ in range(draw(st.integers(1, 3))):
        container, key = draw(st.sampled_from(places(body)))
        if draw(st.booleans()):
            container[key] = draw(anything)
        else:
            del container[key]
    return body


def answered(client: TestClient, path: str, body: Any) -> None:
    answer = client.post(
        path, content=json.dumps(body).encode(), headers={"content-type": "application/json"}
    )
    if answer.status_code == 200:
        if not path.endswith("/feedback"):
            assert isinstance(answer.json()["cards"], list)
        return
    assert 400 <= answer.status_code < 500, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"
    assert answer.json()["issue"][0]["diagnostics"]


@FUZZ
@given(body=broken_calls())
def test_a_broken_call_is_answered_or_refused(client: TestClient, body: dict[str, Any]) -> None:
    answered(client, REVIEW if body.get("hook") == "patient-view" else ORDER, body)


@FUZZ
@given(body=anything, key=st.sampled_from(["hook", "context", "prefetch", "feedback"]))
def test_any_json_is_refused_or_answered(client: TestClient, body: Any, key: str) -> None:
    answered(client, ORDER, body)
    answered(client, ORDER, CALLS[0] | {key: body})
    answered(client, f"{ORDER}/feedback", body)
    answered(client, f"{ORDER}/feedback", {"feedback": [body]})
    entry = {"card": body, "outcome": body, "overrideReason": body, "acceptedSuggestions": [body]}
    answered(client, f"{ORDER}/feedback", {"feedback": [entry]})


@FUZZ
@given(header=anything, claims=anything, noise=st.text(max_size=30))
def test_any_token_is_read_or_not_known(header: Any, claims: Any, noise: str) -> None:
    tokens = [
        noise,
        f"{part(header)}.{part(claims)}.{noise}",
        f"{part({'alg': header, 'kid': claims, 'typ': noise, 'jku': header})}.{part(claims)}.x",
    ]
    for token in tokens:
        for read in (read_header, unverified_issuer):
            try:
                read(token) if token.count(".") else read(f"{token}.{token}.{token}")
            except NotKnown:
                continue
