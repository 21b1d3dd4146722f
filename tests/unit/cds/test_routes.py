"""The routes of CDS Hooks: what is answered, what is counted, what is turned away."""

import gzip
import json
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from starlette.responses import Response
from starlette.routing import Route
from tests.api.hooks import INSTANCE

from crossgrain.catalogue import Catalogue
from crossgrain.cds.answers import Card
from crossgrain.cds.cards import SOURCE
from crossgrain.cds.routes import add_cds
from crossgrain.cds.services import discovery, templates
from crossgrain.http.boundary import add_error_handlers
from crossgrain.http.probes import Metrics
from crossgrain.http.requests import Turns
from crossgrain.http.settings import Settings

from .conftest import written

ORDER = "/cds-services/thyroid-order"
PUBLISHED = json.loads((Path(__file__).parents[3] / "openapi" / "openapi.json").read_text("utf-8"))[
    "paths"
]


class Hooks:
    """Says what a test wants, and notes what it was asked."""

    def __init__(self) -> None:
        self.found: list[Card] = []
        self.asked: list[tuple[Any, str]] = []

    async def cards(self, body: dict[str, Any], service_id: str) -> list[Card]:
        self.asked.append((body, service_id))
        return self.found


@pytest.fixture
def hooks() -> Hooks:
    return Hooks()


@pytest.fixture
def metrics() -> Metrics:
    return Metrics()


@pytest.fixture
def client(hooks: Hooks, metrics: Metrics, catalogue: Catalogue) -> TestClient:
    app = FastAPI()
    app.state.turns = Turns()
    add_error_handlers(app)
    asked_for = templates(catalogue.codes)
    add_cds(app, hooks, asked_for, Settings(max_body_bytes=2000), metrics)  # type: ignore[arg-type]
    return TestClient(app, raise_server_exceptions=False)


def test_each_route_is_published_under_its_name_and_a_head_is_answered_unnamed(
    client: TestClient,
) -> None:
    """A client that is generated from the document calls a route by that name."""
    found: dict[tuple[str, str], Any] = {}
    for route in client.app.routes:  # type: ignore[attr-defined]
        if isinstance(route, Route) and route.path.startswith("/cds-services"):
            (method,) = route.methods
            found[route.path, method] = route
    assert not found.pop(("/cds-services", "HEAD")).include_in_schema
    for (path, method), route in found.items():
        published = PUBLISHED[path][method.lower()]
        assert (route.operation_id, route.tags) == (published["operationId"], published["tags"])
        assert route.response_class is Response
    assert len(found) == 3


def counted(metrics: Metrics) -> list[str]:
    """The lines of the counters of CDS Hooks that are not zero."""
    lines = metrics.page().decode().splitlines()
    return [one for one in lines if one.startswith("crossgrain_cds") and "_created" not in one]


def test_discovery_is_answered(client: TestClient, catalogue: Catalogue) -> None:
    answer = client.get("/cds-services")
    assert answer.headers["content-type"] == "application/json"
    assert answer.json() == written(discovery(templates(catalogue.codes)))
    assert client.head("/cds-services").status_code == 200


def test_a_call_is_answered_with_its_cards_and_counted_by_the_graveness_of_each(
    client: TestClient, hooks: Hooks, metrics: Metrics
) -> None:
    told = Card(uuid=INSTANCE, summary="a", detail="b", indicator="warning", source=SOURCE)
    hooks.found = [told]
    body = {"hook": "order-sign"}
    answer = client.post(ORDER, json=body)
    assert answer.headers["content-type"] == "application/json"
    assert answer.json() == {"cards": [written(told)]}
    assert hooks.asked == [(body, "thyroid-order")]
    assert counted(metrics) == [
        'crossgrain_cds_cards_total{hook="order-sign",indicator="warning"} 1.0'
    ]


def test_a_call_without_a_card_is_counted_as_one(client: TestClient, metrics: Metrics) -> None:
    """How often nothing is said is what tells whether anybody still reads what is."""
    for _ in range(2):
        assert client.post(ORDER, json={"hook": "order-select"}).json() == {"cards": []}
    assert counted(metrics) == [
        'crossgrain_cds_cards_total{hook="order-select",indicator="none"} 2.0'
    ]


def test_feedback_is_counted_by_service_outcome_and_reason(
    client: TestClient, metrics: Metrics
) -> None:
    entry = {
        "card": INSTANCE,
        "outcome": "overridden",
        "outcomeTimestamp": "2025-03-03T10:05:31Z",
    }
    answer = client.post(f"{ORDER}/feedback", json={"feedback": [entry, entry]})
    assert (answer.status_code, answer.content) == (200, b"")
    assert counted(metrics) == [
        'crossgrain_cds_feedback_total{outcome="overridden",reason="none",service="thyroid-order"}'
        " 2.0"
    ]


def issue(answer: httpx.Response) -> tuple[int, dict[str, Any]]:
    (one,) = answer.json()["issue"]
    return answer.status_code, one


@pytest.mark.parametrize(
    ("path", "near"),
    [
        ("/cds-services/none", ""),
        ("/cds-services/none/feedback", ""),
        ("/cds-services/thyroid-orders", "; did you mean thyroid-order?"),
    ],
)
def test_a_service_that_is_none_is_404_and_the_nearest_is_named(
    client: TestClient, hooks: Hooks, path: str, near: str
) -> None:
    status, said = issue(client.post(path, json={}))
    assert (status, said["code"]) == (404, "not-found")
    words = "there is no such CDS service; GET /cds-services lists them"
    assert said["diagnostics"] == f"{words}{near}"
    assert "expression" not in said
    assert hooks.asked == []


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "/cds-services"), ("POST", ORDER), ("POST", f"{ORDER}/feedback")],
)
def test_a_query_is_refused_and_named(client: TestClient, method: str, path: str) -> None:
    status, said = issue(client.request(method, f"{path}?patient=p01", json={}))
    assert status == 400
    assert said["diagnostics"] == "no option is known here"
    assert said["expression"] == ["http.patient"]


@pytest.mark.parametrize(
    ("content", "media", "status"),
    [
        (b"{", "application/json", 400),
        (b"[]", "application/json", 400),
        (b"{}", "text/plain", 415),
        (json.dumps({"a": "x" * 2000}).encode(), "application/json", 413),
    ],
)
def test_a_body_that_is_no_call_is_turned_away(
    client: TestClient, hooks: Hooks, content: bytes, media: str, status: int
) -> None:
    answer = client.post(ORDER, content=content, headers={"content-type": media})
    assert answer.status_code == status
    assert hooks.asked == []


def long_card() -> Card:
    return Card(uuid=INSTANCE, summary="a", detail="b" * 2000, indicator="info", source=SOURCE)


@pytest.mark.parametrize(
    ("accepts", "packed"),
    [
        ("gzip", True), ("gzip, deflate, br", True), ("br;q=1, gzip;q=0.5", True), ("*", True),
        ("GZIP;q=0.001", True), ("gzip;q=0", False), ("*;q=0", False), ("gzip;q=0, *", False),
        ("identity", False), ("", False), ("gzip;q=x", False), ("br", False),
    ],
)  # fmt: skip
def test_cards_are_compressed_for_whoever_takes_it(
    client: TestClient, hooks: Hooks, accepts: str, *, packed: bool
) -> None:
    """RFC 9110, 12.5.3."""
    hooks.found = [long_card()]
    sent = {"accept-encoding": accepts}
    with client.stream("POST", ORDER, json={"hook": "order-sign"}, headers=sent) as answer:
        raw = b"".join(answer.iter_raw())
    assert (answer.headers.get("content-encoding") == "gzip") is packed
    assert answer.headers["vary"] == "Accept-Encoding"
    assert answer.headers["content-length"] == str(len(raw))
    read = json.loads(gzip.decompress(raw) if packed else raw)
    assert read == {"cards": [written(long_card())]}
    assert (len(raw) < 300) is packed


def test_the_same_call_is_the_same_bytes_when_compressed(client: TestClient, hooks: Hooks) -> None:
    hooks.found = [long_card()]
    raw = []
    for _ in range(2):
        with client.stream(
            "POST", ORDER, json={"hook": "order-sign"}, headers={"accept-encoding": "gzip"}
        ) as answer:
            raw.append(b"".join(answer.iter_raw()))
    assert raw[0] == raw[1]
    assert raw[0][4:8] == bytes(4)  # RFC 1952: no time stands in it


def test_what_fits_into_one_packet_is_sent_as_it_is(client: TestClient, hooks: Hooks) -> None:
    answer = client.post(ORDER, json={"hook": "order-sign"}, headers={"accept-encoding": "gzip"})
    assert "content-encoding" not in answer.headers
    assert answer.json() == {"cards": []}
