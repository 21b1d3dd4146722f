"""The app factory: routes, error handlers and the outermost layer, wired in one place."""

import gc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI
from httpx2 import AsyncBaseTransport
from starlette.exceptions import HTTPException
from starlette.middleware.cors import CORSMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Match

from crossgrain import __version__
from crossgrain.api.auth.guard import Guard
from crossgrain.api.auth.wiring import Doors, doors
from crossgrain.api.boundary import Boundary
from crossgrain.api.cds.fetching import Fetcher
from crossgrain.api.cds.gathering import Gatherer
from crossgrain.api.cds.handling import Hooks
from crossgrain.api.cds.routes import add_cds
from crossgrain.api.cds.services import templates
from crossgrain.api.clock import Clock, now
from crossgrain.api.conformance.routes import add_conformance
from crossgrain.api.documentation import COMPONENTS, DESCRIPTION, apply_docs, operation_docs
from crossgrain.api.faults import Fault, RequestRefused, refusal
from crossgrain.api.logs import quiet_libraries
from crossgrain.api.metrics import CONTENT_TYPE, Metrics
from crossgrain.api.openapi_examples import add_examples
from crossgrain.api.operations.apply import apply, plan_options
from crossgrain.api.operations.compare_bases import compare_bases
from crossgrain.api.operations.desk import Desk, desk_over
from crossgrain.api.operations.propose_switch import propose_switch
from crossgrain.api.operations.screen_switches import screen_switches, screening_options
from crossgrain.api.operations.sheet import add_sheet
from crossgrain.api.requests import Operation, refuse, serve
from crossgrain.api.settings import Settings
from crossgrain.api.tracing import no_spans, spans
from crossgrain.api.valve import Valve
from crossgrain.api.workbench import add_workbench
from crossgrain.catalogue import Catalogue
from crossgrain.fhir.version import FhirVersion

_FAULT_OF_STATUS = {404: Fault.NOT_FOUND, 405: Fault.METHOD}


def create_app(
    settings: Settings,
    catalogue: Catalogue,
    clock: Clock = now,
    transport: AsyncBaseTransport | None = None,
) -> FastAPI:
    """The service over one catalogue.

    Parameters
    ----------
    settings : the deployment's
    catalogue : loaded and checked; the service never starts on one that is not
    clock : read only to know which day today is
    transport : how other servers are reached; the network unless a test gives its own
    """
    fetcher = Fetcher(settings, transport)
    guarded = doors(settings, clock, transport)
    app = FastAPI(
        title="Crossgrain",
        version=__version__,
        description=DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=partial(_lifespan, fetcher, guarded),
    )
    desk = desk_over(catalogue, clock)
    for version in FhirVersion:
        for name, operation, docs in _operations(desk):
            _add_operation(app, f"/fhir/{version}/{name}", operation, version, docs, settings)
    add_conformance(app, desk, settings)
    metrics = Metrics()
    _add_hooks(app, desk, settings, fetcher, metrics)
    add_sheet(app, desk, settings)
    add_workbench(app, desk)
    _add_probes(app)
    if settings.metrics:
        _add_metrics(app, metrics)
    _complete_openapi(app, desk)
    app.add_exception_handler(RequestRefused, _on_refusal)
    app.add_exception_handler(HTTPException, _on_framework_error)
    app.add_middleware(Guard, cds=guarded.cds, fhir=guarded.fhir)
    _add_cors(app, settings)
    app.add_middleware(Valve, settings=settings)
    app.add_middleware(Boundary, metrics=metrics, spans=spans() if settings.traces else no_spans)
    quiet_libraries()
    return app


def _add_cors(app: FastAPI, settings: Settings) -> None:
    if settings.cors_origins:
        app.add_middleware(
            CORSMiddleware,
            allow_origins=settings.cors_origins,
            allow_methods=["GET", "HEAD", "POST"],
            allow_headers=["Authorization", "Content-Type", "Accept", "Prefer", "X-Request-Id"],
            expose_headers=["X-Request-Id", "Retry-After"],
        )


@asynccontextmanager
async def _lifespan(fetcher: Fetcher, guarded: Doors, app: FastAPI) -> AsyncIterator[None]:
    # What is loaded by now stays: leaving it out of collection steadies the slowest requests.
    gc.collect()
    gc.freeze()
    yield
    await fetcher.close()
    await guarded.close()


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


def _add_hooks(
    app: FastAPI, desk: Desk, settings: Settings, fetcher: Fetcher, metrics: Metrics
) -> None:
    asked_for = templates(desk.catalogue.codes)
    hooks = Hooks(desk, settings, Gatherer(asked_for, fetcher))
    add_cds(app, hooks, asked_for, settings, metrics)


def _add_metrics(app: FastAPI, metrics: Metrics) -> None:
    async def page() -> Response:
        """Counts and times in Prometheus' text form; of no patient."""
        return Response(metrics.page(), media_type=CONTENT_TYPE)

    app.add_api_route(
        "/metrics", page, methods=["GET"], response_class=PlainTextResponse, tags=["operations"]
    )


def _complete_openapi(app: FastAPI, desk: Desk) -> None:
    """Add the schemas that the operations' documents point at, and real examples."""
    generate = app.openapi

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            document = generate()
            document.setdefault("components", {}).setdefault("schemas", {}).update(COMPONENTS)
            add_examples(document, desk)
        return generate()

    app.openapi = openapi  # type: ignore[method-assign]


def _add_probes(app: FastAPI) -> None:
    async def livez() -> Response:
        """The process runs."""
        return JSONResponse({"status": "live"})

    async def readyz() -> Response:
        """The data files were read and found sound, and requests are served."""
        return JSONResponse({"status": "ready", "version": __version__})

    for path, probe in (("/livez", livez), ("/readyz", readyz)):
        app.add_api_route(path, probe, methods=["GET"], tags=["operations"])
        app.add_api_route(path, probe, methods=["HEAD"], include_in_schema=False)


async def _on_refusal(request: Request, refused: Exception) -> Response:
    assert isinstance(refused, RequestRefused)
    return refuse(refused)


async def _on_framework_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        headers["Allow"] = ", ".join(_methods(request))
        if request.method == "OPTIONS":
            return Response(status_code=HTTPStatus.NO_CONTENT, headers=headers)
    fault = _FAULT_OF_STATUS.get(error.status_code, Fault.INTERNAL)
    message = {
        Fault.NOT_FOUND: "there is nothing at this address",
        Fault.METHOD: "this address does not take that method",
    }.get(fault, "the service failed; nothing was proposed")
    return refuse(refusal(fault, None, message), headers)


def _methods(request: Request) -> list[str]:
    """Every method that the address takes, over all of its routes."""
    taken = {"OPTIONS"}
    for route in request.app.routes:
        if route.matches(request.scope)[0] is not Match.NONE:
            taken |= getattr(route, "methods", None) or set()
    return sorted(taken)
