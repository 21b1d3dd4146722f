"""How much is let in: requests, and bytes of their bodies, at once.

The rest is shed at once and told when to come back; what was let in is answered. To limit the rate
of one caller is a proxy's work.
"""

import asyncio

from starlette.types import ASGIApp, Receive, Scope, Send

from crossgrain.http.requests import refuse
from crossgrain.http.settings import Settings
from crossgrain.operations.faults import Fault, refusal

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
