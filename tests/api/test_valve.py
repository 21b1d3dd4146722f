"""Too much is shed at once, said so, and what was let in is answered."""

import asyncio
from typing import Any

import pytest

from crossgrain.http.boundary import Valve
from crossgrain.http.settings import Settings

SCOPE: dict[str, Any] = {
    "type": "http",
    "method": "GET",
    "path": "/x",
    "headers": [],
    "client": ("192.0.2.1", 1),
}


def all_at_once(settings: Settings, scopes: list[dict[str, Any]]) -> tuple[list[int], list[int]]:
    """Statuses while all of the requests that were let in are under way, and in the end.

    One more of the first kind is sent when all are answered. Nothing said yet is 0.
    """
    statuses = [0] * (len(scopes) + 1)

    async def run() -> list[int]:
        gate = asyncio.Event()

        async def slow(scope: Any, receive: Any, send: Any) -> None:
            await gate.wait()
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b""})

        valve = Valve(slow, settings)

        async def request(place: int, scope: dict[str, Any]) -> None:
            async def send(message: Any) -> None:
                if message["type"] == "http.response.start":
                    statuses[place] = message["status"]

            await valve(scope, lambda: None, send)  # type: ignore[arg-type]

        tasks = [asyncio.create_task(request(*numbered)) for numbered in enumerate(scopes)]
        await asyncio.sleep(0)
        meanwhile = statuses[:-1]
        gate.set()
        await asyncio.gather(*tasks)
        await request(len(scopes), scopes[0])
        return meanwhile

    return asyncio.run(run()), statuses


def test_beyond_the_bound_requests_are_503_and_those_let_in_are_answered() -> None:
    """Forty at once, ten let in: each of the forty has an answer."""
    meanwhile, in_the_end = all_at_once(Settings(max_in_flight=10), [SCOPE] * 40)
    assert meanwhile == [0] * 10 + [503] * 30
    assert in_the_end == [200] * 10 + [503] * 30 + [200]


def body_of(*headers: tuple[bytes, bytes]) -> dict[str, Any]:
    return {**SCOPE, "headers": list(headers)}


def declared(size: int) -> dict[str, Any]:
    return body_of((b"content-length", str(size).encode()))


def test_bodies_of_more_bytes_than_may_be_held_at_once_are_503() -> None:
    settings = Settings(max_bytes_in_flight=100)
    _, in_the_end = all_at_once(settings, [declared(60), declared(41), declared(40), SCOPE])
    assert in_the_end == [200, 503, 200, 200, 200]


def test_a_body_that_is_allowed_is_let_in_alone_however_little_may_be_held() -> None:
    settings = Settings(max_bytes_in_flight=100, max_body_bytes=1000)
    assert all_at_once(settings, [declared(1000), declared(1)])[1] == [200, 503, 200]


@pytest.mark.parametrize(
    "undeclared",
    [
        body_of((b"transfer-encoding", b"chunked")),
        body_of((b"transfer-encoding", b"chunked"), (b"content-length", b"1")),
        body_of((b"content-length", b"one")),
        body_of((b"content-length", b"9" * 5000)),
        declared(1001),
    ],
    ids=["chunked", "chunked and declared", "no number", "no size", "beyond what is taken"],
)
def test_a_body_that_declares_no_size_counts_as_the_largest(undeclared: dict[str, Any]) -> None:
    settings = Settings(max_bytes_in_flight=1100, max_body_bytes=1000)
    assert all_at_once(settings, [undeclared, declared(101)])[1] == [200, 503, 200]
    assert all_at_once(settings, [undeclared, declared(100)])[1] == [200, 200, 200]
