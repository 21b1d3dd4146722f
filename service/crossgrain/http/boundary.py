"""The outer layers of the service: a request id, one log line, no bare crash, no more than fits.

Neither a body, a query, a header, a path as sent nor an exception's message is ever logged,
counted or traced: each may hold what was said of a patient. Load beyond what is let in is shed at
once and told when to come back; to limit the rate of one caller is a proxy's work. When the data
files are not sound the service lives, says why, and computes nothing.
"""

import asyncio
import logging
import re
import time
from http import HTTPStatus
from uuid import uuid4

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from crossgrain.http.logs import where
from crossgrain.http.probes import Metrics, Presence, Spans, no_spans
from crossgrain.http.requests import refuse
from crossgrain.http.settings import Settings
from crossgrain.names.errors import DomainError
from crossgrain.operations.faults import Fault, RequestRefused, did_you_mean, refusal, row_of

REFERENCE = "/docs"
"""Where every route is described."""
_OF_THE_FRAMEWORK = {row_of(fault).status: fault for fault in (Fault.NOT_FOUND, Fault.METHOD)}


def add_error_handlers(app: FastAPI) -> None:
    """Answer refusals and the framework's errors; ``OPTIONS`` names an address' methods."""
    app.add_exception_handler(RequestRefused, _on_refusal)
    app.add_exception_handler(HTTPException, _on_framework_error)


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
    fault = _OF_THE_FRAMEWORK.get(error.status_code, Fault.INTERNAL)
    words = row_of(fault).words
    if fault is Fault.NOT_FOUND:
        words += f"; {REFERENCE} lists every address"
        words += did_you_mean(request.url.path, _addresses(request))
    elif fault is Fault.METHOD:
        words += f"; it takes {headers['Allow']}"
    return refuse(refusal(fault, None, words), headers)


def _addresses(request: Request) -> list[str]:
    """Every address without a part that varies."""
    paths = (getattr(route, "path", "") for route in request.app.routes)
    return sorted({path for path in paths if "{" not in path})


def _methods(request: Request) -> list[str]:
    """Every method that the address takes, over all of its routes."""
    taken = {"OPTIONS"}
    for route in request.app.routes:
        if route.matches(request.scope)[0] is not Match.NONE:
            taken |= getattr(route, "methods", None) or set()
    return sorted(taken)


ALWAYS_LET_IN = frozenset({"/livez", "/readyz", "/metrics"})
_MOST_DIGITS = 18


class Valve:
    """ASGI middleware."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self.app = app
        self._most_in_flight = settings.max_in_flight
        self._in_flight = 0
        self._most_body_bytes = settings.max_body_bytes
        self._most_bytes = settings.max_bytes_in_flight
        self._bytes = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or turn it away."""
        if scope["type"] != "http" or scope["path"] in ALWAYS_LET_IN:
            await self.app(scope, receive, send)
            return
        size = body_size(scope, self._most_body_bytes)
        if self._is_full(size):
            shed = refuse(refusal(Fault.BUSY), {"Retry-After": "1"})
            await shed(scope, receive, send)
            return
        self._in_flight += 1
        self._bytes += size
        try:
            # Computing holds the loop: let every request that has arrived be counted first.
            await asyncio.sleep(0)
            await self.app(scope, receive, send)
        finally:
            self._in_flight -= 1
            self._bytes -= size

    def _is_full(self, size: int) -> bool:
        """Whether one more, with a body of this size, is too much; alone, any is let in."""
        more_bytes = self._bytes > 0 and self._bytes + size > self._most_bytes
        return more_bytes or self._in_flight >= self._most_in_flight


def body_size(scope: Scope, most: int) -> int:
    """How many bytes a body may come to: what it declares, else the most that is taken of any."""
    headers = dict(scope["headers"])
    if b"transfer-encoding" in headers:
        return most
    declared = headers.get(b"content-length", b"0")
    is_number = declared.isdigit() and len(declared) <= _MOST_DIGITS
    return min(int(declared), most) if is_number else most


REFUSED = "crossgrain.refused"
"""In the scope of a request: why its caller was not let in, in words of our own."""
_ACCESS = logging.getLogger("crossgrain.access")
_ERRORS = logging.getLogger("crossgrain.errors")
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII | re.IGNORECASE)
_METHODS = {"GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE"}


class Boundary:
    """ASGI middleware around everything else."""

    def __init__(
        self,
        app: ASGIApp,
        metrics: Metrics | None = None,
        spans: Spans = no_spans,
        presence: Presence | None = None,
    ) -> None:
        self.app = app
        self._metrics = metrics or Metrics()
        self._spans = spans
        self._presence = presence

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass HTTP through; answer for whatever escapes."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        seen = _Seen(scope)
        self._metrics.in_flight.inc()
        try:
            with self._spans("request") as span:
                await self._answer(seen, scope, receive, send)
                if span is not None:
                    span.update_name(f"{seen.method} {seen.route}")
                    span.set_attributes(
                        {"http.route": seen.route, "http.request.method": seen.method,
                         "http.response.status_code": seen.status}
                    )  # fmt: skip
        finally:
            self._metrics.in_flight.dec()
            self._count(seen)

    async def _answer(self, seen: "_Seen", scope: Scope, receive: Receive, send: Send) -> None:
        async def send_unstored(message: Message) -> None:
            if message["type"] == "http.response.start":
                seen.status = message["status"]
                message["headers"] = [
                    *message["headers"],
                    (b"cache-control", b"no-store"),
                    (b"x-request-id", seen.request_id.encode()),
                ]
                if self._presence and self._presence.leaving:
                    message["headers"].append((b"connection", b"close"))
            await send(message)

        try:
            await self.app(scope, receive, send_unstored)
        except ClientDisconnect:
            pass
        except Exception as error:  # the last resort: a crash is an OperationOutcome too
            fields = {"request_id": seen.request_id}
            _ERRORS.error("%s", where(error), extra={"fields": fields})
            if not seen.status:
                await _crashed()(scope, receive, send_unstored)

    def _count(self, seen: "_Seen") -> None:
        seconds = time.perf_counter() - seen.began
        self._metrics.requests.labels(seen.route, seen.method, seen.status).inc()
        self._metrics.seconds.labels(seen.route).observe(seconds)
        fields = {
            "request_id": seen.request_id,
            "method": seen.method,
            "route": seen.route,
            "status": seen.status,
            "milliseconds": round(seconds * 1000, 1),
            **({"refused": seen.refused} if seen.refused else {}),
        }
        _ACCESS.info(
            "%s %s %d %.1fms",
            seen.method,
            seen.route,
            seen.status,
            seconds * 1000,
            extra={"fields": fields},
        )


class _Seen:
    """What may be said of one request."""

    def __init__(self, scope: Scope) -> None:
        self.began = time.perf_counter()
        self.method = scope["method"] if scope["method"] in _METHODS else "?"
        self.request_id = _request_id(scope)
        self.status = 0
        self._scope = scope

    @property
    def refused(self) -> str | None:
        """Why the caller was not let in."""
        return self._scope.get(REFUSED)

    @property
    def route(self) -> str:
        """The route's own template; a path as sent may hold anything."""
        return getattr(self._scope.get("route"), "path", "unmatched")


def _request_id(scope: Scope) -> str:
    """The caller's id where it is a UUID, which can hold nothing else; or a new one."""
    given = Request(scope).headers.get("x-request-id", "")
    return given.lower() if _UUID.fullmatch(given) else str(uuid4())


def _crashed() -> ASGIApp:
    return refuse(refusal(Fault.INTERNAL))


def create_unready_app(error: DomainError) -> FastAPI:
    """Live, never ready; the fault names the place in the deployment's own file."""
    app = FastAPI(title="Crossgrain", docs_url=None, redoc_url=None, openapi_url=None)
    refused = refusal(Fault.NOT_READY, None, f"a data file is not sound: {error.field}")

    async def livez() -> Response:
        return JSONResponse({"status": "live"})

    async def anything(request: Request) -> Response:
        return refuse(refused, {"Retry-After": "30"})

    app.add_api_route("/livez", livez, methods=["GET", "HEAD"])
    methods = ["GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE"]
    app.add_api_route("/{path:path}", anything, methods=methods)
    app.add_middleware(Boundary)
    return app
