"""Bounds on what a caller may send: size and time, counted while it arrives."""

import asyncio

from starlette.requests import Request

from crossgrain.api.faults import Fault, refusal
from crossgrain.api.settings import Settings


async def read_body(request: Request, settings: Settings) -> bytes:
    """The body, or a refusal as soon as it is known to be too large or too slow."""
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
