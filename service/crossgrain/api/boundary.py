"""The outermost layer of the service: one log line per request, no store, no bare crash.

Neither a body, a query, a header, a path as sent nor an exception's message is ever logged:
each may hold what was said of a patient.
"""

import logging
import time
import traceback

from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from crossgrain.api.faults import Fault, refusal
from crossgrain.api.requests import refuse

_ACCESS = logging.getLogger("crossgrain.access")
_ERRORS = logging.getLogger("crossgrain.errors")


class Boundary:
    """ASGI middleware around everything else."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass HTTP through; answer for whatever escapes."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = time.perf_counter()
        status = 0

        async def send_unstored(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message["headers"], (b"cache-control", b"no-store")]
            await send(message)

        try:
            await self.app(scope, receive, send_unstored)
        except ClientDisconnect:
            pass
        except Exception as error:  # the last resort: a crash is an OperationOutcome too
            _ERRORS.error("%s at %s", type(error).__name__, _where(error))
            if not status:
                await _crashed()(scope, receive, send_unstored)
        _ACCESS.info(
            "%s %s %d %.1fms",
            scope["method"] if scope["method"].isalpha() else "?",
            _route(scope),
            status,
            (time.perf_counter() - began) * 1000,
        )


def _crashed() -> ASGIApp:
    return refuse(refusal(Fault.INTERNAL, None, "the service failed; nothing was proposed"))


def _where(error: Exception) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    return " < ".join(f"{frame.name}:{frame.lineno}" for frame in reversed(frames[-6:]))


def _route(scope: Scope) -> str:
    """The route's own template; a path as sent may hold anything."""
    return getattr(scope.get("route"), "path", "unmatched")
