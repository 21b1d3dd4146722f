"""Asking the servers that tell who a caller is: within a time, and no longer than is sensible."""

import asyncio

import httpx2 as httpx

SECONDS = 3.0
MOST_BYTES = 256 * 1024


class TooMuch(Exception):
    """The answer came too slowly, or is too long."""


async def ask(
    client: httpx.AsyncClient, request: httpx.Request, auth: tuple[str, str] | None = None
) -> tuple[int, bytes]:
    """The status and the body of the answer.

    Raises
    ------
    TooMuch
        where all of it did not come in time (a client's own time limits begin anew with every
        byte), or where it is longer than such an answer can be.
    httpx2.HTTPError
        where there is none.
    """
    content = bytearray()
    try:
        async with asyncio.timeout(SECONDS):
            answer = await client.send(request, stream=True, auth=auth)
            try:
                async for chunk in answer.aiter_bytes():
                    content += chunk
                    if len(content) > MOST_BYTES:
                        raise TooMuch
            finally:
                await answer.aclose()
    except TimeoutError:
        raise TooMuch from None
    return answer.status_code, bytes(content)
