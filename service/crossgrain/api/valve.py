"""How much is let in: header size, requests at once, requests a second of one caller.

What is turned away is told so at once, with when to come back; what was let in is answered.
"""

import asyncio
import time
from collections.abc import Callable

from starlette.types import ASGIApp, Receive, Scope, Send

from crossgrain.api.faults import Fault, refusal
from crossgrain.api.requests import refuse
from crossgrain.api.settings import Settings

ALWAYS_LET_IN = frozenset({"/livez", "/readyz", "/metrics"})
_MOST_CALLERS = 10_000


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

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or turn it away."""
        if scope["type"] != "http" or scope["path"] in ALWAYS_LET_IN:
            await self.app(scope, receive, send)
            return
        turned_away = self._turned_away(scope)
        if turned_away is not None:
            await turned_away(scope, receive, send)
            return
        self._in_flight += 1
        try:
            # Computing holds the loop: let every request that has arrived be counted first.
            await asyncio.sleep(0)
            await self.app(scope, receive, send)
        finally:
            self._in_flight -= 1

    def _turned_away(self, scope: Scope) -> ASGIApp | None:
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
        if self._in_flight >= self._most_in_flight:
            words = "too many requests at once; try again later"
            return refuse(refusal(Fault.BUSY, None, words), {"Retry-After": "1"})
        return None


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
