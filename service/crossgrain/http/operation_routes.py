"""The FHIR operations and their addresses."""

from functools import partial
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain.http.documentation import apply_docs, operation_docs
from crossgrain.http.requests import Operation, serve
from crossgrain.http.settings import Settings
from crossgrain.names.version import FhirVersion
from crossgrain.operations.apply import apply, plan_options
from crossgrain.operations.compare_bases import compare_bases
from crossgrain.operations.desk import Desk
from crossgrain.operations.propose_switch import propose_switch
from crossgrain.operations.screen_switches import screen_switches, screening_options


def add_operations(app: FastAPI, desk: Desk, settings: Settings) -> None:
    """Add every operation in both versions."""
    for version in FhirVersion:
        for name, operation, docs in _operations(desk):
            _add_operation(app, f"/fhir/{version}/{name}", operation, version, docs, settings)


def _operations(desk: Desk) -> list[tuple[str, Operation, dict[str, Any]]]:
    return [
        (
            "$propose-switch",
            partial(propose_switch, desk),
            operation_docs(
                "Propose a switch",
                "A patient's record and a target in; a dated series of proposals with its"
                " rationale out.",
                desk.switch_options,
                "A collection Bundle. Its GuidanceResponse says how the call ended: success"
                " with a result (a plan), success without (a safety stop), or data-required"
                " (questions, each with its FHIRPath).",
            ),
        ),
        (
            "$compare-bases",
            partial(compare_bases, desk),
            operation_docs(
                "Compare the bases",
                "What the regimen in a record is worth on every basis of equivalence, and the"
                " target there. No plan.",
                desk.comparison_options,
                "A Parameters resource with one parameter named basis per chart.",
            ),
        ),
        (
            "$screen-switches",
            partial(screen_switches, desk),
            operation_docs(
                "Screen a past switch",
                "One patient's record in; what is wrong with the last change of preparation"
                " out, as the nightly job judges it.",
                screening_options(desk.switch_options),
                "A collection Bundle: an OperationOutcome that says how it ended, then the"
                " DetectedIssues.",
            ),
        ),
        (
            "PlanDefinition/regimen-switch/$apply",
            partial(apply, desk),
            apply_docs(plan_options(desk)),
        ),
    ]


def _add_operation(
    app: FastAPI,
    path: str,
    operation: Operation,
    version: FhirVersion,
    docs: dict[str, Any],
    settings: Settings,
) -> None:
    async def endpoint(request: Request) -> Response:
        return await serve(request, operation, version, settings)

    app.add_api_route(
        path,
        endpoint,
        methods=["POST"],
        response_class=Response,
        openapi_extra=docs,
        operation_id=path.strip("/").replace("/", "-").replace("$", ""),
        tags=[f"FHIR {version.number}"],
    )
