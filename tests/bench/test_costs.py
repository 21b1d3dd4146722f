"""What a hostile body costs, as a ratio to parsing an innocent one of its size in the same run.

A body of 4 MB, the largest that is taken, parses in some 50 ms here: twenty times as much is a
second of processor.
"""

import time
from collections.abc import Callable, Iterator

import pytest
from fastapi.testclient import TestClient
from tests.bench.costly import BYTES, RECORDS, costly, ordinary

from crossgrain.api.app import create_app
from crossgrain.api.settings import Settings
from crossgrain.catalogue import load_catalogue
from crossgrain.fhir.read.json import parse

SIZES = (100_000, 1_000_000, 3_900_000)
MOST_TIMES_PARSING = 40
"""Twice what a quiet machine needs for the worst of them: others are at work on this one."""
LEAST_SECONDS = 0.1
"""An answer with a plan takes this whatever the body; below it no ratio means anything."""
FHIR = {"content-type": "application/fhir+json"}
DAY = "as-of=2025-03-03"
ROUTES = {
    "propose": f"/fhir/r4/$propose-switch?target=desiccated-thyroid&{DAY}",
    "compare": f"/fhir/r4/$compare-bases?{DAY}",
    "screen": f"/fhir/r4/$screen-switches?{DAY}",
    "sheet": f"/sheet?target=desiccated-thyroid&{DAY}",
}
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    app = create_app(Settings(), load_catalogue())
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def seconds(work: Callable[[], object]) -> float:
    """Of the processor."""
    start = time.process_time()
    work()
    return time.process_time() - start


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", [*RECORDS, *BYTES])
def test_no_body_costs_far_more_than_its_bytes(client: TestClient, name: str, size: int) -> None:
    body, innocent = costly(name, size), ordinary(size)
    parsing = min(seconds(lambda: parse(innocent)) for _ in range(3))
    for route in ROUTES.values():
        start = time.process_time()
        answer = client.post(route, content=body, headers=FHIR)
        spent = time.process_time() - start
        assert answer.status_code in {200, 400, 413, 422}
        assert spent < MOST_TIMES_PARSING * parsing + LEAST_SECONDS, (route, spent, parsing)
