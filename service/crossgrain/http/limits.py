"""Bounds on what a caller may send: size and time, counted while it arrives; then its turn."""

import asyncio

from starlette.requests import Request

from crossgrain.http.settings import Settings
from crossgrain.operations.faults import Fault, refusal

_ROUNDS = 6
"""Of the loop between two computations: one accepts a connection, others read and answer."""


class Turns:
    """One request after the other is computed, and between two the server looks around.

    Computing holds the event loop. Without turns, of a hundred requests that arrive together a
    hundred are computed before the next probe is read, and whatever watches the service would
    take it for dead because it is busy.
    """

    def __init__(self) -> None:
        self._next = asyncio.Lock()

    async def come(self) -> None:
        """Wait for one's turn; what is computed next, without waiting, is within it."""
        async with self._next:
            for _ in range(_ROUNDS):
                await asyncio.sleep(0)


async def read_body(request: Request, settings: Settings) -> bytes:
    """The body, when it is its turn, or a refusal as soon as it is too large or too slow."""
    body = await _in_time(request, settings)
    await request.app.state.turns.come()
    return body


async def _in_time(request: Request, settings: Settings) -> bytes:
    declared = request.headers.get("content-length", "")
    if declared.isdecimal() and int(declared) > settings.max_body_bytes:
        raise _too_large(settings)
    try:
        async with asyncio.timeout(settings.body_seconds):
            return await _collect(request, settings)
    except TimeoutError:
        raise refusal(
            Fault.TOO_SLOW,
            None,
            f"the body did not arrive within {settings.body_seconds:g} seconds",
        ) from None


async def _collect(request: Request, settings: Settings) -> bytes:
    chunks: list[bytes] = []
    size = 0
    async for chunk in request.stream():
        size += len(chunk)
        if size > settings.max_body_bytes:
            raise _too_large(settings)
        chunks.append(chunk)
    return b"".join(chunks)


def _too_large(settings: Settings) -> Exception:
    return refusal(
        Fault.TOO_LARGE, None, f"the body is larger than {settings.max_body_bytes} bytes"
    )
