"""The outermost layer of the service: a request id, one log line, no store, no bare crash.

Neither a body, a query, a header, a path as sent nor an exception's message is ever logged,
counted or traced: each may hold what was said of a patient.
"""

import logging
import re
import time
from uuid import uuid4

from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from crossgrain.http.logs import where
from crossgrain.http.metrics import Metrics, Spans, no_spans
from crossgrain.http.probes import Presence
from crossgrain.http.requests import refuse
from crossgrain.operations.faults import Fault, refusal

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
    def route(self) -> str:
        """The route's own template; a path as sent may hold anything."""
        return getattr(self._scope.get("route"), "path", "unmatched")


def _request_id(scope: Scope) -> str:
    """The caller's id where it is a UUID, which can hold nothing else; or a new one."""
    given = Request(scope).headers.get("x-request-id", "")
    return given.lower() if _UUID.fullmatch(given) else str(uuid4())


def _crashed() -> ASGIApp:
    return refuse(refusal(Fault.INTERNAL))
