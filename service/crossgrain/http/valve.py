"""How much is let in: header size, requests and bytes at once, requests a second of one caller.

What is turned away is told so at once, with when to come back; what was let in is answered.
"""

import asyncio
import time
from collections.abc import Callable

from starlette.types import ASGIApp, Receive, Scope, Send

from crossgrain.http.requests import refuse
from crossgrain.http.settings import Settings
from crossgrain.operations.faults import Fault, refusal

ALWAYS_LET_IN = frozenset({"/livez", "/readyz", "/metrics"})
_MOST_CALLERS = 10_000
_MOST_DIGITS = 18


class Valve:
    """ASGI middleware."""

    def __init__(
        self, app: ASGIApp, settings: Settings, now: Callable[[], float] = time.monotonic
    ) -> None:
        self.app = app
        self._most_header_bytes = settings.max_header_bytes
        self._most_in_flight = settings.max_in_flight
        self._buckets = Buckets(settings.requests_per_second, now)
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
        turned_away = self._turned_away(scope, size)
        if turned_away is not None:
            await turned_away(scope, receive, send)
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

    def _turned_away(self, scope: Scope, size: int) -> ASGIApp | None:
        if (
            sum(len(name) + len(value) for name, value in scope["headers"])
            > self._most_header_bytes
        ):
            return refuse(
                refusal(Fault.HEADERS_TOO_LARGE, None, "the request's headers are too large")
            )
        if not self._buckets.take((scope.get("client") or ("", 0))[0]):
            words = "this caller sends more than it may; try again later"
            return refuse(refusal(Fault.TOO_MANY, None, words), {"Retry-After": "1"})
        full = self._bytes > 0 and self._bytes + size > self._most_bytes  # alone, any is let in
        if full or self._in_flight >= self._most_in_flight:
            words = "too many requests at once; try again later"
            return refuse(refusal(Fault.BUSY, None, words), {"Retry-After": "1"})
        return None


def body_size(scope: Scope, most: int) -> int:
    """How many bytes a body may come to: what it declares, else the most that is taken of any."""
    headers = dict(scope["headers"])
    if b"transfer-encoding" in headers:
        return most
    declared = headers.get(b"content-length", b"0")
    is_number = declared.isdigit() and len(declared) <= _MOST_DIGITS
    return min(int(declared), most) if is_number else most


class Buckets:
    """A bucket of requests per caller, filled at a rate, that holds those of one second.

    Parameters
    ----------
    rate : requests a second; 0 for no limit
    now : the time in seconds
    """

    def __init__(self, rate: float, now: Callable[[], float]) -> None:
        self._rate = rate
        self._most = max(1.0, rate)
        self._now = now
        self._held: dict[str, tuple[float, float]] = {}

    def take(self, caller: str) -> bool:
        """Take one request out of the caller's bucket, if it holds one."""
        if not self._rate:
            return True
        now = self._now()
        held, since = self._held.get(caller, (self._most, now))
        held = min(self._most, held + (now - since) * self._rate)
        taken = held >= 1
        if len(self._held) >= _MOST_CALLERS and caller not in self._held:
            self._forget_full(now)
        self._held[caller] = (held - 1 if taken else held, now)
        return taken

    def _forget_full(self, now: float) -> None:
        """A bucket that has filled up again need not be remembered."""
        self._held = {
            caller: (held, since)
            for caller, (held, since) in self._held.items()
            if held + (now - since) * self._rate < self._most
        }
