"""No log line, metric or span holds what was said of a patient, on any route, whatever happens."""

import copy
import io
import json
import logging
import logging.config
from collections.abc import Iterator
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http import probes as tracing
from crossgrain.http.boundary import Boundary
from crossgrain.http.logs import WITHHELD, log_config
from crossgrain.http.settings import Settings

from .calls import FHIR, LT4, PROPOSE, Resource
from .calls import RECORD as FIRST
from .conftest import STOPPED
from .hooks import ORDER, REVIEW, call, grains

MARK = "Zz9marked"
SERVER = f"https://ehr.example/{MARK}"


def marked(node: Any) -> Any:
    """Every text of a record with a mark at its end; the record may become unreadable by it."""
    if isinstance(node, str):
        return f"{node}{MARK}"
    if isinstance(node, dict):
        return {key: marked(value) for key, value in node.items()}
    return [marked(value) for value in node] if isinstance(node, list) else node


def lightly_marked(record: Resource) -> Resource:
    """A mark wherever a person could have typed, so that the record still reads."""
    record = copy.deepcopy(record)
    for entry in record["entry"]:
        resource = entry["resource"]
        resource["text"] = {"status": "generated", "div": f"<div>{MARK}</div>"}
        for name in resource.get("name", []):
            name["family"] = MARK
        for note in resource.get("identifier", []):
            note["value"] = MARK
    return record


RECORD = json.loads(FIRST)
HOOK = call(LT4, [grains(60, "p01")])
LENT = {"access_token": MARK, "token_type": "Bearer"}


def parameters(record: Resource) -> Resource:
    nested = {"resourceType": "Parameters", "parameter": [{"name": "target", "valueCode": MARK}]}
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueString": f"Patient/{MARK}"},
            {"name": "data", "resource": record},
            {"name": "parameters", "resource": nested},
        ],
    }


POSTS: list[tuple[str, Any]] = [
    (path, body)
    for path in (
        f"{PROPOSE}?target=desiccated-thyroid&as-of=2025-03-03",
        f"{PROPOSE}?target={MARK}",
        f"{PROPOSE}?{MARK}={MARK}",
        f"/fhir/r5/$propose-switch?target=levothyroxine&time-zone={MARK}",
        "/fhir/r4/$compare-bases",
        f"/fhir/r4/PlanDefinition/{MARK}/$apply",
        "/fhir/r4/PlanDefinition/regimen-switch/$apply",
        "/sheet?target=desiccated-thyroid&as-of=2025-03-03",
        f"/fhir/r4/Patient/{MARK}/$everything",
    )
    for body in (
        lightly_marked(RECORD),
        marked(RECORD),
        parameters(lightly_marked(RECORD)),
        MARK,
        {MARK: MARK},
    )
]
POSTS += [
    (ORDER, marked(HOOK)),
    (ORDER, HOOK | {"context": marked(HOOK["context"])}),
    (ORDER, HOOK | {"prefetch": marked(HOOK["prefetch"])}),
    (ORDER, HOOK | {"prefetch": {}, "fhirServer": SERVER, "fhirAuthorization": LENT}),
    (ORDER, call(LT4, [grains(60, f"p01{MARK}")])),
    (REVIEW, call("15-switched-at-half-the-dose.json", [], "patient-view")),
    (f"/cds-services/{MARK}", HOOK),
    (f"{ORDER}/feedback", {"feedback": [{"card": MARK, "overrideReason": {"userComment": MARK}}]}),
]
GETS = [
    f"/{MARK}",
    f"/fhir/r4/CodeSystem/{MARK}",
    f"/fhir/r4/metadata?mode={MARK}",
    f"/fhir/r4/metadata?_format={MARK}",
    f"/cds-services?{MARK}",
    "/livez",
    "/readyz",
    "/",
]


class Ehr(httpx.AsyncBaseTransport):
    """A server whose every answer is marked."""

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        return httpx.Response(500, json={"resourceType": MARK})


@pytest.fixture
def service(catalogue: Catalogue) -> Iterator[TestClient]:
    settings = Settings(cds_fhir_servers=(SERVER,))
    app = create_app(settings, catalogue, clock=lambda: STOPPED, transport=Ehr())
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def send_everything(client: TestClient) -> list[int]:
    headers = {"user-agent": MARK, "x-request-id": MARK, "referer": f"https://x.example/{MARK}"}
    statuses = [
        client.post(path, content=json.dumps(body), headers=FHIR | headers).status_code
        for path, body in POSTS
    ]
    return statuses + [client.get(path, headers=headers).status_code for path in GETS]


def test_marked_values_reach_no_log_line_of_any_library(
    service: TestClient, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        statuses = send_everything(service)
    assert {200, 400, 404, 406, 412, 422} <= set(statuses)
    assert 500 not in statuses
    lines = [
        f"{r.name} {r.getMessage()} {r.exc_text or ''} {getattr(r, 'fields', '')}"
        for r in caplog.records
        if r.name != "httpx2"  # the test's own client
    ]
    assert len([line for line in lines if line.startswith("crossgrain.access")]) == len(statuses)
    assert [line for line in lines if MARK in line] == []


def test_marked_values_reach_no_metric(service: TestClient) -> None:
    statuses = send_everything(service)
    page = service.get("/metrics")
    assert page.headers["content-type"].startswith("text/plain")
    assert MARK not in page.text
    count = sum(
        float(line.rpartition(" ")[2])
        for line in page.text.splitlines()
        if line.startswith("crossgrain_requests_total")
    )
    assert count == len(statuses)
    assert f'route="{PROPOSE}",status="200"' in page.text
    assert 'crossgrain_cds_cards_total{hook="patient-view",indicator="warning"} 1.0' in page.text


def test_marked_values_reach_no_span(catalogue: Catalogue) -> None:
    kept = InMemorySpanExporter()
    provider = TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(kept))
    app = create_app(Settings(), catalogue, clock=lambda: STOPPED)
    traced = Boundary(app, spans=tracing.spans_of(provider))
    with TestClient(traced, raise_server_exceptions=False) as client:
        statuses = send_everything(client)
    spans = kept.get_finished_spans()
    assert len(spans) == len(statuses)
    assert [span for span in spans if MARK in span.to_json()] == []
    assert {"http.route", "http.request.method", "http.response.status_code"} == set(
        spans[0].attributes or {}
    )
    assert f"POST {PROPOSE}" in {span.name for span in spans}


class Written(io.StringIO):
    """What was written, once everything is."""

    def getvalue(self) -> str:
        for handler in logging.getLogger().handlers:
            handler.flush()
        return super().getvalue()


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> Iterator[io.StringIO]:
    """What the server writes, with logging set up as it sets it up."""
    written = Written()
    config = log_config("json")
    config["handlers"]["out"]["stream"] = written
    logging.config.dictConfig(config)
    yield written
    logging.config.dictConfig({"version": 1, "disable_existing_loggers": False})


def test_each_line_is_one_object_with_the_request_id(
    service: TestClient, lines: io.StringIO
) -> None:
    given = "7d1577c6-9dfb-44ad-ba6d-3e05e953b2ea"
    service.get("/livez", headers={"x-request-id": given})
    (line,) = [json.loads(text) for text in lines.getvalue().splitlines()]
    assert line["request_id"] == given
    assert (line["method"], line["route"], line["status"]) == ("GET", "/livez", 200)
    assert (line["level"], line["logger"]) == ("info", "crossgrain.access")
    assert line["milliseconds"] >= 0


def test_what_another_library_logs_is_withheld(lines: io.StringIO) -> None:
    logging.getLogger("some.library").warning("GET https://ehr.example/Patient/%s", MARK)
    try:
        raise ValueError(MARK)
    except ValueError:
        logging.getLogger("uvicorn.error").exception("Exception in ASGI application")
    first, second = (json.loads(text) for text in lines.getvalue().splitlines())
    assert (first["logger"], first["message"]) == ("some.library", WITHHELD)
    assert second["error"].startswith("ValueError at test_what_another_library_logs_is_withheld:")
    assert MARK not in lines.getvalue()


def test_metrics_can_be_off(catalogue: Catalogue) -> None:
    with TestClient(create_app(Settings(metrics=False), catalogue)) as client:
        assert client.get("/metrics").status_code == 404
