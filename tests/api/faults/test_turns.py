"""However many calls become ready together, between two computations the server looks around."""

import asyncio
import json
from itertools import pairwise
from typing import Any

import httpx2 as httpx
from tests.api.calls import LT4
from tests.api.conftest import STOPPED
from tests.api.hooks import ORDER, call, grains

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

CALLS = 12
JSON = {"content-type": "application/json"}
SERVER = "https://ehr.example/fhir"


class Gate(httpx.AsyncBaseTransport):
    """A FHIR server that answers everybody in one moment: that there is nothing."""

    def __init__(self) -> None:
        self.open = asyncio.Event()
        self.waiting = 0

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        self.waiting += 1
        await self.open.wait()
        nothing = {"resourceType": "Bundle", "type": "searchset", "total": 0}
        return httpx.Response(200, json=nothing)


def lacking_goals() -> dict[str, Any]:
    body = call(LT4, [grains(60, "p01")])
    del body["prefetch"]["goals"]
    return body | {"fhirServer": SERVER}


def test_calls_whose_data_arrive_together_are_computed_one_by_one(catalogue: Catalogue) -> None:
    body = json.dumps(lacking_goals()).encode()
    ended: list[int] = []

    async def one(client: httpx.AsyncClient) -> None:
        answer = await client.post(
            ORDER, content=body, headers={"content-type": "application/json"}
        )
        ended.append(answer.status_code)

    async def crowd() -> list[int]:
        gate = Gate()
        settings = Settings(cds_fhir_servers=(SERVER,), cds_fetch_seconds=30)
        app = create_app(settings, catalogue, clock=lambda: STOPPED, transport=gate)
        through = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=through, base_url="http://x") as client:
            calls = [asyncio.create_task(one(client)) for _ in range(CALLS)]
            while gate.waiting < CALLS:
                await asyncio.sleep(0)
            gate.open.set()
            seen = [0]
            while len(ended) < CALLS:
                await asyncio.sleep(0)  # once around
                seen.append(len(ended))
            await asyncio.gather(*calls)
        return seen

    seen = asyncio.run(crowd())
    assert ended == [200] * CALLS
    assert max(after - before for before, after in pairwise(seen)) == 1
