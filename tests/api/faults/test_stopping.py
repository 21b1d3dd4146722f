"""Told to stop, or killed: what callers see, what is lost, and how the process ends."""

import json
import signal
import socket
import threading
import time

import httpx2 as httpx
import pytest
from tests.api.calls import PROPOSE
from tests.api.faults.calls import slow_call
from tests.api.servers import Server, Start, until_live

CALLERS = 8
REFUSED, BROKEN = "refused", "broken"


class Callers:
    """Callers who ask without pause until they find no one; what each saw, in order."""

    def __init__(self, server: Server) -> None:
        self.seen: list[list[str]] = [[] for _ in range(CALLERS)]
        self._server = server
        self._threads = [threading.Thread(target=self._call, args=(n,)) for n in range(CALLERS)]
        for thread in self._threads:
            thread.start()

    def _call(self, number: int) -> None:
        seen = self.seen[number]
        with httpx.Client() as client:
            while REFUSED not in seen[-1:]:
                seen.append(self._once(client))

    def _once(self, client: httpx.Client) -> str:
        try:
            answer = self._server.ask(client)
        except httpx.ConnectError:
            return REFUSED
        except httpx.TransportError:
            return BROKEN
        return str(answer.status_code) if answer.json()["resourceType"] == "Bundle" else "other"

    def ended(self) -> list[list[str]]:
        """What each saw, once all have found no one."""
        for thread in self._threads:
            thread.join(20)
            assert not thread.is_alive()
        return self.seen


@pytest.mark.parametrize("workers", [1, 2])
def test_told_to_stop_under_load_it_says_no_first_and_answers_all_it_took(
    start: Start, workers: int
) -> None:
    """Who knocks in the very moment in which a door shuts is not heard, and may call again."""
    process, base = start("--workers", str(workers), drain_seconds="3", shutdown_seconds="2")
    until_live(base)
    callers = Callers(process)
    with slow_call(process):
        told = time.monotonic()
        _tell_and_see_it_say_no(process)
        assert process.ask().status_code == 200  # while the balancer has not heard yet
        seen = callers.ended()
        with pytest.raises(ConnectionRefusedError):
            process.connect()
        assert process.poll() is None  # it waits for the slow call, and for no new one
        said = process.said()
    assert process.returncode == 0
    assert time.monotonic() - told < 3 + 2 + 10
    answered = sum(each.count("200") for each in seen)
    assert answered > CALLERS
    assert {one for each in seen for one in each} <= {"200", BROKEN, REFUSED}
    assert all(each.count(BROKEN) <= workers for each in seen)
    lines = [json.loads(line) for line in said.splitlines()]
    plans = [line["status"] for line in lines if line.get("route") == PROPOSE and line["status"]]
    assert plans == [200] * (answered + 1)  # what was computed has arrived


def _tell_and_see_it_say_no(process: Server) -> None:
    with httpx.Client(base_url=process.base, timeout=20) as probe:
        assert probe.get("/readyz").status_code == 200
        process.send_signal(signal.SIGTERM)
        until = time.monotonic() + 2.5
        while (ready := probe.get("/readyz")).status_code == 200:
            assert time.monotonic() < until
    assert ready.status_code == 503
    assert ready.json()["issue"][0]["code"] == "transient"
    assert ready.headers["connection"] == "close"


def test_told_twice_it_drains_no_longer_and_no_caller_can_keep_it(start: Start) -> None:
    process, base = start(drain_seconds="60", shutdown_seconds="1", body_seconds="60")
    until_live(base)
    with process.connect() as idle, slow_call(process):
        idle.sendall(b"GET /livez HTTP/1.1\r\n")
        process.send_signal(signal.SIGTERM)
        time.sleep(0.5)
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        assert process.wait(5) == 0


def test_told_to_stop_before_it_serves_it_ends_at_once(start: Start) -> None:
    process, _ = start()
    until = time.monotonic() + 10
    while not process.words.stat().st_size:  # it shows its settings first
        assert time.monotonic() < until
        time.sleep(0.01)
    process.send_signal(signal.SIGTERM)
    assert process.wait(5) == 0


@pytest.mark.parametrize("workers", ["1", "2"])
def test_where_the_port_is_taken_it_ends_with_one(start: Start, workers: str) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        process, _ = start("--port", port, "--workers", workers)
        assert process.wait(20) == 1
        said = process.said()
        assert port in said
        assert "Traceback" not in said
