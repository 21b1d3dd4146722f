"""The addresses of CDS Hooks: discovery, the services, their feedback."""

import gzip
from collections.abc import Awaitable, Callable
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain.cds.answers import CardsAnswer
from crossgrain.cds.feedback import read_feedback
from crossgrain.cds.handling import Hooks
from crossgrain.cds.services import SERVICES, Template, discovery
from crossgrain.http.limits import read_body
from crossgrain.http.metrics import Metrics
from crossgrain.http.requests import PLAIN_JSON, check_content, takes_gzip
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.faults import Fault, refusal
from crossgrain.operations.reading import parse_resource
from crossgrain.writing.forms import to_json

_WORTH_PACKING = 1000
"""Bytes; less fits into one packet as it is."""
_LEVEL = 6
Endpoint = Callable[[Request], Awaitable[Response]]


def add_cds(
    app: FastAPI,
    hooks: Hooks,
    asked_for: tuple[Template, ...],
    settings: Settings,
    metrics: Metrics,
) -> None:
    """Add the routes."""
    found = to_json(discovery(asked_for))

    async def discover(request: Request) -> Response:
        _no_query(request)
        return Response(found, media_type=PLAIN_JSON)

    async def call(request: Request) -> Response:
        body = await _body(request, settings)
        cards = await hooks.cards(body, _service(request))
        for indicator in [str(card.indicator) for card in cards] or ["none"]:
            metrics.cards.labels(body["hook"], indicator).inc()
        return _answer(request, to_json(CardsAnswer(cards=cards)))

    async def feedback(request: Request) -> Response:
        service = _service(request)
        for outcome, reason in read_feedback(await _body(request, settings)):
            metrics.feedback.labels(service, outcome, reason).inc()
        return Response(status_code=200)

    _add(app, "/cds-services", "GET", discover)
    _add(app, "/cds-services/{id}", "POST", call)
    _add(app, "/cds-services/{id}/feedback", "POST", feedback)


def _answer(request: Request, body: bytes) -> Response:
    """The cards, compressed where the client takes that; the same call gives the same bytes."""
    headers = {"vary": "Accept-Encoding"}
    if len(body) >= _WORTH_PACKING and takes_gzip(request.headers):
        body = gzip.compress(body, _LEVEL, mtime=0)
        headers["content-encoding"] = "gzip"
    return Response(body, media_type=PLAIN_JSON, headers=headers)


def _add(app: FastAPI, path: str, method: str, endpoint: Endpoint) -> None:
    name = path.strip("/").replace("/{id}", "").replace("/", "-")
    app.add_api_route(
        path,
        endpoint,
        methods=[method],
        response_class=Response,
        operation_id=f"{method.lower()}-{name}",
        tags=["CDS Hooks"],
    )
    if method == "GET":
        app.add_api_route(path, endpoint, methods=["HEAD"], include_in_schema=False)


def _no_query(request: Request) -> None:
    for name in request.query_params:
        raise refusal(Fault.OPTION_UNKNOWN, f"http.{name}", "no option is known here")


def _service(request: Request) -> str:
    _no_query(request)
    own_id = str(request.path_params["id"])
    if own_id not in {service.id for service in SERVICES}:
        raise refusal(Fault.NOT_FOUND, None, "there is no such CDS service")
    return own_id


async def _body(request: Request, settings: Settings) -> dict[str, Any]:
    check_content(request.headers, FhirVersion.R4)
    return parse_resource(await read_body(request, settings))
