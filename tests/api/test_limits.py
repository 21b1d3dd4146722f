"""A body that does not arrive is not waited for."""

import asyncio

import pytest
from starlette.requests import Request
from starlette.types import Message

from crossgrain.http.requests import read_body
from crossgrain.http.settings import Settings
from crossgrain.operations.faults import Fault, RequestRefused


async def silence() -> Message:
    """A sender who says nothing more."""
    await asyncio.sleep(60)
    return {"type": "http.disconnect"}


def test_a_body_that_stalls_is_refused_in_the_time_allowed() -> None:
    request = Request({"type": "http", "method": "POST", "headers": []}, silence)
    with pytest.raises(RequestRefused) as refused:
        asyncio.run(read_body(request, Settings(body_seconds=0.01)))
    (complaint,) = refused.value.complaints
    assert complaint.category is Fault.TOO_SLOW
    assert refused.value.status == 408
    assert complaint.message == "the body did not arrive within 0.01 seconds"
