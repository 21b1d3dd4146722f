"""The examples of the OpenAPI document are what the service takes and gives."""

import json
import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import parse_qsl

import pytest
from fastapi.testclient import TestClient
from openapi.shown import STOPPED

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.routes import packaged
from crossgrain.http.settings import Settings

from . import signing as s
from .calls import FHIR, PROPOSE, RECORD
from .hooks import ORDER, REVIEW, call, grains

DOCUMENT = json.loads(packaged())
EXAMPLES = DOCUMENT["components"]["examples"]


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in DOCUMENT["paths"].items():
        for method, operation in item.items():
            yield path, method, operation


def names(content: dict[str, Any]) -> list[str]:
    (examples,) = [media.get("examples", {}) for media in list(content.values())[:1]]
    return [reference["$ref"].rpartition("/")[2] for reference in examples.values()]


CALLS = [
    (path, name)
    for path, method, operation in operations()
    if method == "post"
    for name in names(operation["requestBody"]["content"])
]


@pytest.fixture(scope="module")
def client(catalogue: Catalogue) -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), catalogue, clock=lambda: STOPPED)) as client:
        yield client


@pytest.mark.parametrize(("path", "name"), CALLS)
def test_a_call_gives_the_answer_beside_it(client: TestClient, path: str, name: str) -> None:
    shown = EXAMPLES[name]
    query = "".join(re.findall(r"\?\S+$", shown["summary"]))
    if "{id}" in path:
        path = path.replace("{id}", "thyroid-switch-review" if "view" in name or "quiet" in name
                            else "thyroid-order")  # fmt: skip
    of_a_sheet = path.startswith("/sheet")
    headers = FHIR | {"accept": "text/calendar"} if of_a_sheet else FHIR
    answer = client.post(f"{path}{query}", content=json.dumps(shown["value"]), headers=headers)
    assert answer.status_code == 200, answer.text
    expected = EXAMPLES.get(name.replace("-call", "-answer"))
    if expected:
        assert (answer.text if of_a_sheet else answer.json()) == expected["value"]


def test_only_feedback_has_a_call_without_an_answer() -> None:
    lone = {name for _, name in CALLS if name.replace("-call", "-answer") not in EXAMPLES}
    assert lone == {"cds-feedback-call"}  # its answer has no body


READS = [
    (path, name)
    for path, method, operation in operations()
    if method == "get" and path != "/metrics"
    for name in names(operation["responses"]["200"]["content"])
]


@pytest.mark.parametrize(("path", "name"), READS)
def test_what_is_read_is_what_is_shown(client: TestClient, path: str, name: str) -> None:
    value, (_, _, query) = EXAMPLES[name]["value"], EXAMPLES[name]["summary"].partition("?")
    address = path.replace("{id}", value.get("id", ""))
    here = {"host": "127.0.0.1:8000"}  # what is found links to itself
    answer = client.get(address, params=dict(parse_qsl(query)), headers=here)
    assert answer.status_code == 200, answer.text
    assert answer.json() == value


def test_every_json_answer_has_an_example() -> None:
    for path, _, operation in operations():
        content = operation["responses"]["200"].get("content", {})
        if any(media_type.endswith("json") for media_type in content):
            assert names(content), path


def test_the_sheet_shows_its_calendar_under_the_calendar_media_type() -> None:
    content = DOCUMENT["paths"]["/sheet"]["post"]["responses"]["200"]["content"]
    assert "examples" not in content["text/html"]
    (example,) = content["text/calendar"]["examples"].values()
    assert example["$ref"] == "#/components/examples/sheet-answer"
    assert EXAMPLES["sheet-answer"]["value"].startswith("BEGIN:VCALENDAR")


def test_the_plan_shown_is_a_whole_one() -> None:
    plan = EXAMPLES["r4-apply-answer"]["value"]
    assert plan["resourceType"] == "CarePlan"
    assert any(r["resourceType"] == "MedicationRequest" for r in plan["contained"])


def test_every_route_with_a_body_has_a_call_and_all_errors_have_an_example() -> None:
    for path, method, operation in operations():
        if method == "post":
            assert names(operation["requestBody"]["content"]), path
        for status, response in operation["responses"].items():
            if status[0] in "45":
                assert names(response["content"]) == [f"error-{status}"], (path, status)


LOCKED = {
    "fhir_auth": "introspection", "oauth_audience": s.AUDIENCE, "introspection_client": "x",
    "introspection_url": "https://as.example", "introspection_secret": "x",
}  # fmt: skip


def errors() -> Iterator[tuple[str, Settings, str, dict[str, Any]]]:
    """Status, settings, address and what is sent."""
    call_ = {"content": RECORD, "headers": FHIR}
    lacking = call("01-levothyroxine-150.json", [grains(60, "p01")])
    del lacking["prefetch"]["medicationStatements"]
    yield "400", Settings(), f"{PROPOSE}?dose=1", call_
    yield "401", Settings(**LOCKED), PROPOSE, call_
    yield "404", Settings(), "/fhir/r4/$propose-swich", call_
    yield "405", Settings(), "/livez", call_
    yield "406", Settings(), PROPOSE, call_ | {"headers": FHIR | {"accept": "text/html"}}
    yield "412", Settings(), ORDER, {"json": lacking}
    yield "413", Settings(), PROPOSE, {"content": b" " * 8_388_609, "headers": FHIR}
    yield "415", Settings(), PROPOSE, {"content": RECORD, "headers": {"content-type": "text/html"}}
    yield "422", Settings(), f"{PROPOSE}?target=levothyroxine&ratio=15", call_


@pytest.mark.parametrize(
    ("status", "set_to", "path", "sent"), [pytest.param(*e, id=e[0]) for e in errors()]
)
def test_an_error_is_the_one_that_is_shown(
    catalogue: Catalogue, status: str, set_to: Settings, path: str, sent: dict[str, Any]
) -> None:
    with TestClient(create_app(set_to, catalogue)) as client:
        answer = client.post(path, **sent)
    assert answer.status_code == int(status), answer.text
    assert answer.json() == EXAMPLES[f"error-{status}"]["value"]


def test_the_review_example_is_of_the_review_service(client: TestClient) -> None:
    sent = EXAMPLES["cds-view-call"]["value"]
    assert client.post(REVIEW, json=sent).json() == EXAMPLES["cds-view-answer"]["value"]
