"""The app factory: routes, error handlers and the outermost layer, wired in one place."""

from collections.abc import Callable
from http import HTTPStatus
from typing import TYPE_CHECKING

from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.middleware.cors import CORSMiddleware
from starlette.responses import Response

from crossgrain import __version__
from crossgrain.app.conformance.routes import add_conformance
from crossgrain.app.pages import add_reference_page, add_workbench
from crossgrain.auth.guard import Guard, add_smart_configuration, doors
from crossgrain.catalogue import Catalogue
from crossgrain.cds.gathering import Gatherer
from crossgrain.cds.routes import Hooks, add_cds
from crossgrain.cds.services import templates
from crossgrain.http.boundary import Boundary, Valve, add_error_handlers
from crossgrain.http.logs import quiet_libraries
from crossgrain.http.probes import (
    Close,
    Metrics,
    Presence,
    Traces,
    add_metrics,
    add_probes,
    exported,
    lifespan_of,
)
from crossgrain.http.requests import Turns, refuse
from crossgrain.http.routes import add_openapi, add_operations, add_sheets
from crossgrain.http.settings import Settings
from crossgrain.operations.desk import Clock, Desk, Ticks, desk_over, now, ticks
from crossgrain.operations.faults import Fault, refusal

if TYPE_CHECKING:
    from ssl import SSLContext

    from httpx2 import AsyncBaseTransport

    from crossgrain.cds.fetching import Fetcher


def create_app(
    settings: Settings,
    catalogue: Catalogue,
    clock: Clock = now,
    transport: "AsyncBaseTransport | None" = None,
    ticks: Ticks = ticks,
) -> FastAPI:
    """The service over one catalogue.

    Parameters
    ----------
    settings : the deployment's
    catalogue : loaded and checked; the service never starts on one that is not
    clock : read only to know which day today is, and whether a token is over
    transport : how other servers are reached; the network unless a test gives its own
    ticks : tells how long ago something was
    """
    turns = Turns()
    reach = _Network() if transport is None else lambda: transport
    fetcher = _fetcher(settings, turns, reach)
    presence = Presence(settings.drain_seconds)
    traces = exported() if settings.traces else Traces()
    guarded = doors(settings, clock, ticks, reach)
    closing: list[Close] = [guarded.close, traces.close]
    if fetcher:
        closing.insert(0, fetcher.close)
    app = FastAPI(
        title="Crossgrain",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
        lifespan=lifespan_of(presence, closing),
    )
    app.state.turns = turns
    desk = desk_over(catalogue, clock)
    add_operations(app, desk, settings)
    add_conformance(app, desk, settings)
    add_smart_configuration(app, settings)
    metrics = Metrics()
    _add_hooks(app, desk, settings, fetcher, metrics)
    add_sheets(app, desk, settings)
    add_workbench(app, desk)
    add_probes(app, presence)
    if settings.metrics:
        add_metrics(app, metrics)
    add_openapi(app)
    add_reference_page(app)
    add_error_handlers(app)
    app.add_middleware(Guard, cds=guarded.cds, fhir=guarded.fhir)
    _add_cors(app, settings)
    app.add_middleware(Valve, settings=settings)
    app.add_middleware(Boundary, metrics=metrics, spans=traces.begin, presence=presence)
    quiet_libraries()
    return app


class _Network:
    """Makes connections of each one's own, over one TLS context.

    It is made when a setting first needs it: reading all authorities takes long.
    """

    _tls: "SSLContext | None" = None

    def __call__(self) -> "AsyncBaseTransport":
        from httpx2 import AsyncHTTPTransport, create_ssl_context  # noqa: PLC0415

        self._tls = self._tls or create_ssl_context(trust_env=False)
        return AsyncHTTPTransport(verify=self._tls, trust_env=False)


def _fetcher(
    settings: Settings, turns: Turns, reach: "Callable[[], AsyncBaseTransport]"
) -> "Fetcher | None":
    if not settings.cds_fhir_servers:
        return None
    from crossgrain.cds.fetching import Fetcher  # noqa: PLC0415

    return Fetcher(settings, turns, reach())


def _add_cors(app: FastAPI, settings: Settings) -> None:
    if settings.cors_origins:
        app.add_middleware(
            _Pages,
            allow_origins=settings.cors_origins,
            allow_methods=["GET", "HEAD", "POST"],
            allow_headers=["Authorization", "Content-Type", "Accept", "Prefer", "X-Request-Id"],
            expose_headers=["X-Request-Id", "Retry-After"],
        )


def _add_hooks(
    app: FastAPI, desk: Desk, settings: Settings, fetcher: "Fetcher | None", metrics: Metrics
) -> None:
    asked_for = templates(desk.catalogue.codes)
    hooks = Hooks(
        desk, settings, Gatherer(asked_for, fetcher, orders_alone=settings.cds_orders_alone)
    )
    add_cds(app, hooks, asked_for, settings, metrics)


class _Pages(CORSMiddleware):
    """Which pages of other origins may call; the rest is refused as everything else is."""

    def preflight_response(self, request_headers: Headers) -> Response:
        answer = super().preflight_response(request_headers)
        if answer.status_code < HTTPStatus.BAD_REQUEST:
            return answer
        kept = {name: value for name, value in answer.headers.items() if "content" not in name}
        return refuse(refusal(Fault.FORBIDDEN, None, "this page may not call so"), kept)
