"""The FHIR operations and their addresses."""

from functools import partial

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain.http.requests import Operation, serve
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.apply import apply
from crossgrain.operations.compare_bases import compare_bases
from crossgrain.operations.desk import Desk
from crossgrain.operations.propose_switch import propose_switch
from crossgrain.operations.screen_switches import screen_switches


def add_operations(app: FastAPI, desk: Desk, settings: Settings) -> None:
    """Add every operation in both versions."""
    served: dict[str, Operation] = {
        "$propose-switch": partial(propose_switch, desk),
        "$compare-bases": partial(compare_bases, desk),
        "$screen-switches": partial(screen_switches, desk),
        "PlanDefinition/regimen-switch/$apply": partial(apply, desk),
    }
    for version in FhirVersion:
        for name, operation in served.items():
            _add_operation(app, f"/fhir/{version}/{name}", operation, version, settings)


def _add_operation(
    app: FastAPI, path: str, operation: Operation, version: FhirVersion, settings: Settings
) -> None:
    async def endpoint(request: Request) -> Response:
        return await serve(request, operation, version, settings)

    app.add_api_route(
        path,
        endpoint,
        methods=["POST"],
        response_class=Response,
        operation_id=path.strip("/").replace("/", "-").replace("$", ""),
        tags=[f"FHIR {version.number}"],
    )
