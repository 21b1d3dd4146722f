"""The routes of the operations, of the plan sheet, and of the OpenAPI document."""

from collections.abc import Awaitable, Callable, Sequence
from email.message import Message
from functools import partial
from importlib.resources import files
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match, Route
from starlette.types import Scope

from crossgrain.http.requests import (
    PLAIN_JSON,
    Operation,
    check_content,
    preferred,
    read_body,
    serve,
)
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.apply import apply, apply_at_type
from crossgrain.operations.compare_bases import compare_bases
from crossgrain.operations.desk import Desk, parse_resource
from crossgrain.operations.faults import Fault, refusal
from crossgrain.operations.next_step import next_step
from crossgrain.operations.parameters import Given, from_query
from crossgrain.operations.propose_switch import propose_switch
from crossgrain.operations.screen_switches import screen_switches
from crossgrain.operations.sheets import SettledSheet, sheet_of_switch, sheet_of_visit
from crossgrain.sheet.rendering import sheet_policy

Resource = dict[str, Any]
Endpoint = Callable[[Request], Awaitable[Response]]


class _Untold(Route):
    """A route that is known by its template, as those of the framework are."""

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        match, found = super().matches(scope)
        return match, found if match is Match.NONE else {**found, "route": self}


def add_untold(app: FastAPI, path: str, endpoint: Endpoint, *methods: str) -> None:
    """Add a route that the OpenAPI document does not tell of.

    The framework would take its endpoint apart for that document, six times as long as this takes.
    """
    app.router.routes.append(_Untold(path, endpoint, methods=methods, include_in_schema=False))


def packaged() -> bytes:
    """The document as it was made; what makes it stands in ``openapi/`` of the repo."""
    return files("crossgrain").joinpath("openapi.json").read_bytes()


def add_openapi(app: FastAPI) -> None:
    """Add the route."""
    document = packaged()

    async def openapi(request: Request) -> Response:
        return Response(document, media_type=PLAIN_JSON)

    add_untold(app, "/openapi.json", openapi, "GET", "HEAD")


def add_operations(app: FastAPI, desk: Desk, settings: Settings) -> None:
    """Add every operation in both versions."""
    served: dict[str, Operation] = {
        "$propose-switch": partial(propose_switch, desk),
        "$next-step": partial(next_step, desk),
        "$compare-bases": partial(compare_bases, desk),
        "$screen-switches": partial(screen_switches, desk),
        "PlanDefinition/regimen-switch/$apply": partial(apply, desk),
    }
    for version in FhirVersion:
        for name, operation in served.items():
            _add_operation(app, f"/fhir/{version}/{name}", operation, version, settings)
        at_type = f"/fhir/{version}/PlanDefinition/$apply"
        _add_operation(app, at_type, partial(apply_at_type, desk), version, settings, shown=False)


def _add_operation(
    app: FastAPI,
    path: str,
    operation: Operation,
    version: FhirVersion,
    settings: Settings,
    *,
    shown: bool = True,
) -> None:
    """Add one route; `shown` is false where the OpenAPI document tells of it at another."""

    async def endpoint(request: Request) -> Response:
        return await serve(request, operation, version, settings)

    app.add_api_route(
        path,
        endpoint,
        methods=["POST"],
        response_class=Response,
        operation_id=path.strip("/").replace("/", "-").replace("$", ""),
        tags=[f"FHIR {version.number}"],
        include_in_schema=shown,
    )


HTML, CALENDAR = "text/html", "text/calendar"
_GUARDED = {
    "Content-Security-Policy": sheet_policy("frame-ancestors 'none'"),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
Settle = Callable[[Desk, Resource, Sequence[Given], FhirVersion], SettledSheet]
"""Makes of a body, and of what stands in the query beside it, a sheet."""


def add_sheets(app: FastAPI, desk: Desk, settings: Settings) -> None:
    """Add the sheet of what ``$propose-switch`` takes, and of what ``$next-step`` takes."""
    _add_sheet(app, "/sheet", sheet_of_switch, desk, settings)
    _add_sheet(app, "/sheet/next-step", sheet_of_visit, desk, settings)


def _add_sheet(app: FastAPI, path: str, settled: Settle, desk: Desk, settings: Settings) -> None:
    async def sheet(request: Request) -> Response:
        version = _version_sent(request)
        check_content(request.headers, version)
        wanted, _ = preferred(request.headers.get("accept", "*/*"), (HTML, CALENDAR))
        body = parse_resource(await read_body(request, settings))
        beside = from_query(request.query_params.multi_items())
        made = settled(desk, body, beside, version)
        if wanted == CALENDAR:
            dates = made.dates(desk)
            if dates is None:
                raise refusal(
                    Fault.NOT_ACCEPTABLE, "http.Accept", f"there is no plan: ask for {HTML} instead"
                )
            return Response(dates, media_type=CALENDAR, headers=_GUARDED)
        return Response(made.html(desk), media_type=HTML, headers=_GUARDED)

    app.add_api_route(
        path,
        sheet,
        methods=["POST"],
        response_class=Response,
        operation_id=path.strip("/").replace("/", "-"),
        tags=["Plan sheet"],
    )


def _version_sent(request: Request) -> FhirVersion:
    """The FHIR version that the Content-Type names; R4 where it names none."""
    header = Message()
    header["content-type"] = request.headers.get("content-type", "")
    named = header.get_param("fhirversion")
    return next(
        (version for version in FhirVersion if version.number.rpartition(".")[0] == named),
        FhirVersion.R4,
    )
