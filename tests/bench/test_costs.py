"""Hostile bodies: what each costs beside parsing, and a server under many of them at once.

Here every shape meets one operation, always the same; `python -m tests.bench.costs` measures all
of them up to the largest body that is taken, and fails where one is too dear.
"""

import random
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from statistics import median
from threading import Event

import pytest
from tests.bench.costs.calls import PATHS, body, media_type
from tests.bench.costs.measured import Cost
from tests.bench.costs.shapes import BYTES, RECORDS, shape
from tests.bench.costs.table import costs_apart
from tests.bench.serve.server import SERVICE, Server, running

SIZE = 200_000
EACH = 1
MOST_TIMES_PARSING = 250
"""Of a body of `SIZE`: a budget that is far from spent by a body of 8 MB may be spent whole here.
What grows faster than its bytes came to thousands."""
MEMORY_OF_THE_MANIFEST = 512
CONNECTIONS = 16
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")


def sample() -> dict[str, list[str]]:
    """Some operations for each shape."""
    chance = random.Random(13)
    return {name: chance.sample(list(PATHS), EACH) for name in (*RECORDS, *BYTES)}


@pytest.fixture(scope="module")
def measured() -> dict[str, list[Cost]]:
    found: dict[str, list[Cost]] = {name: [] for name in sample()}
    pairs = [(name, operation) for name, chosen in sample().items() for operation in chosen]
    for cost in costs_apart(pairs, SIZE):
        found[cost.shape].append(cost)
    return found


@pytest.mark.parametrize("name", [*RECORDS, *BYTES])
def test_no_body_costs_far_more_than_its_bytes(measured: dict[str, list[Cost]], name: str) -> None:
    assert len(measured[name]) == EACH
    for cost in measured[name]:
        assert cost.status in {200, 400, 412, 413, 422}, cost
        assert cost.ms < MOST_TIMES_PARSING * cost.ordinary_ms + 3 * cost.small_ms, cost
        assert not cost.is_dear, cost


BUSY = (
    ("orders of one group", "/sheet", 1_000_000),
    ("orders that each replace the last", "order-sign", 1_000_000),
    ("a full record of years", "$propose-switch", 8_200_000),
    ("nothing in a list", "$screen-switches", 3_900_000),
    ("decimals, each another", "$apply", 3_900_000),
    ("conditions", "order-select", 3_900_000),
    ("other medicines, each of its own name", "patient-view", 3_900_000),
    ("statements made from one order", "$compare-bases", 1_000_000),
)


def send(server: Server, operation: str, content: bytes) -> tuple[int, float]:
    """Status, and seconds on the clock."""
    connection = HTTPConnection("127.0.0.1", server.port, timeout=120)
    try:
        start = time.monotonic()
        headers = {"content-type": media_type(operation)}
        connection.request("POST", PATHS[operation], content, headers)
        answer = connection.getresponse()
        answer.read()
        return answer.status, time.monotonic() - start
    finally:
        connection.close()


def probes(server: Server, over: Event) -> Iterator[float]:
    """How long each probe waits for its answer, until it is over."""
    while not over.is_set():
        for path in ("/livez", "/readyz"):
            start = time.monotonic()
            assert server.answer(path)[0] == 200
            yield time.monotonic() - start
        time.sleep(0.05)


@pytest.mark.slow
def test_probes_are_answered_between_two_hostile_bodies_and_memory_stays_in_its_bounds() -> None:
    """A probe waits for what is computed at the moment, never for all that stands in line."""
    sent = [(operation, body(operation, shape(name, size))) for name, operation, size in BUSY]
    over = Event()
    with running(SERVICE) as server, ThreadPoolExecutor(CONNECTIONS + 1) as pool:
        alone = [send(server, *each) for each in sent]
        probing = pool.submit(lambda: list(probes(server, over)))
        start = time.monotonic()
        many = sent * (2 * CONNECTIONS // len(sent))
        answers = list(pool.map(lambda each: send(server, *each), many))
        in_all = time.monotonic() - start
        over.set()
        waits = probing.result(60)
        peak = server.memory_mib("VmHWM")
    longest = max(seconds for _, seconds in alone)
    print(
        f"\n{len(many)} bodies in {in_all:.1f} s, the longest alone {longest:.2f} s; {len(waits)}"
        f" probes: median {median(waits):.3f} s, longest {max(waits):.2f} s; peak {peak:.0f} MiB"
    )
    assert {status for status, _ in (*alone, *answers)} <= {200, 400, 413, 422, 503}
    computed = sum(status != 503 for status, _ in answers)
    assert computed >= CONNECTIONS
    assert len(waits) >= CONNECTIONS
    assert median(waits) < in_all / computed  # what one of them takes
    assert max(waits) < min(3 * longest + 0.5, in_all / 2)
    assert peak < MEMORY_OF_THE_MANIFEST
