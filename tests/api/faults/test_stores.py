"""What the service leans on is down: the store of used tokens, the collector of traces."""

import json
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2 as httpx
import pytest
from fakeredis import TcpFakeServer
from fastapi.testclient import TestClient
from tests.api import signing as s
from tests.api.faults.others import another, says_nothing
from tests.api.servers import Start, free_port, until_live

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

DISCOVERY = "/cds-services"
Discover = Callable[[], tuple[int, float]]


@contextmanager
def store_at(port: int) -> Iterator[None]:
    """A store that listens, until it does not."""
    store = TcpFakeServer(("127.0.0.1", port), server_type="redis")
    thread = threading.Thread(target=store.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield
    finally:
        store.shutdown()
        store.server_close()
        thread.join()


@pytest.fixture
def discover_with(catalogue: Catalogue, tmp_path: Path) -> Iterator[Callable[[int], Discover]]:
    """Ask, each time with a token of its own, a service whose store is at a port."""
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps(s.key_set("es384")))
    opened: list[TestClient] = []

    def service(port: int) -> Discover:
        settings = Settings(
            public_url=s.BASE,
            cds_auth="jwt",
            cds_issuers={s.ISSUER: str(keys)},
            jti_store=f"redis://127.0.0.1:{port}/0",
        )
        app = create_app(settings, catalogue, clock=lambda: s.at(s.NOW))
        opened.append(TestClient(app).__enter__())

        def discover(number: list[int] = [0]) -> tuple[int, float]:  # noqa: B006 - it counts
            number[0] += 1
            token = s.sign(s.claims(DISCOVERY, jti=str(number[0])))
            began = time.monotonic()
            answer = opened[-1].get(DISCOVERY, headers={"authorization": f"Bearer {token}"})
            if answer.status_code == 503:
                assert answer.headers["retry-after"] == "5"
                assert answer.json()["resourceType"] == "OperationOutcome"
            return answer.status_code, time.monotonic() - began

        return discover

    yield service
    for client in opened:
        client.__exit__(None, None, None)


def test_while_the_store_is_down_nobody_is_let_in_and_when_it_is_back_everybody(
    discover_with: Callable[[int], Discover],
) -> None:
    port = free_port()
    discover = discover_with(port)
    assert discover()[0] == 503
    with store_at(port):
        assert [discover()[0], discover()[0]] == [200, 200]
    status, seconds = discover()
    assert status == 503
    assert seconds < 2
    with store_at(port):
        assert discover()[0] == 200


def test_a_store_that_says_nothing_is_given_up_in_a_second(
    discover_with: Callable[[int], Discover],
) -> None:
    with another() as silent:
        silent.behave = says_nothing
        status, seconds = discover_with(silent.port)()
    assert status == 503
    assert seconds < 2


def test_a_collector_that_says_nothing_costs_the_spans_alone(start: Start) -> None:
    with another() as collector:
        collector.behave = says_nothing
        process, base = start(
            traces="true",
            drain_seconds="0",
            OTEL_EXPORTER_OTLP_ENDPOINT=f"http://127.0.0.1:{collector.port}",
            OTEL_BSP_SCHEDULE_DELAY="100",
        )
        until_live(base)
        with httpx.Client() as client:
            assert {process.ask(client).status_code for _ in range(20)} == {200}
        time.sleep(0.3)
        process.send_signal(signal.SIGTERM)
        began = time.monotonic()
        assert process.wait(20) == 0
        assert time.monotonic() - began < 6
        assert collector.asked
        assert f"127.0.0.1:{collector.port}" not in process.said()
