"""Callers who are slow, who vanish, or who send what is no request: what they and others see."""

import json
import socket
import struct
import time
from collections.abc import Callable, Iterator
from http.client import HTTPResponse
from pathlib import Path

import httpx2 as httpx
import pytest
from tests.api.calls import FHIR, PROPOSE, RECORD
from tests.api.faults.bounded import bounded
from tests.api.faults.calls import HEAD, WHOLE, drip, outcome_of, read_answer, rest_of
from tests.api.servers import Server, Start, until_live

PLACES = 4


@pytest.fixture(scope="module")
def impatient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One server for all of these, so that each test also shows that the last did no harm."""
    settings = {"CROSSGRAIN_BODY_SECONDS": "0.6", "CROSSGRAIN_MAX_IN_FLIGHT": str(PLACES)}
    words = tmp_path_factory.mktemp("callers") / "words.txt"
    by = bounded(header_seconds=0.6, idle_seconds=1, answer_seconds=0.6, connections=40)
    with Server(words, settings=settings, by=by) as server:
        until_live(server.base)
        yield server
        server.kill()


@pytest.fixture(autouse=True)
def whole_again(impatient: Server) -> Iterator[None]:
    """Whatever a test did, afterwards the service answers and holds nothing of it."""
    yield
    assert impatient.poll() is None
    eventually(lambda: impatient.ask().status_code == 200)
    eventually(lambda: in_flight(impatient) == 1)  # the one that asks


def eventually(holds: Callable[[], bool], seconds: float = 5.0) -> None:
    until = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < until, "it did not come about"
        time.sleep(0.05)


def in_flight(server: Server) -> float:
    page = httpx.get(f"{server.base}/metrics").text
    (line,) = [t for t in page.splitlines() if t.startswith("crossgrain_requests_in_flight ")]
    return float(line.rpartition(" ")[2])


def test_a_head_that_trickles_is_408_and_closed(impatient: Server) -> None:
    with impatient.connect() as connection:
        drip(connection, HEAD.encode(), seconds=1.5)
        assert outcome_of(rest_of(connection)) == (408, "timeout")


def test_a_second_head_that_trickles_is_given_no_more_time(impatient: Server) -> None:
    with impatient.connect() as connection:
        connection.sendall(WHOLE)
        read_answer(connection)
        began = time.monotonic()
        drip(connection, HEAD.encode(), seconds=3)
        assert outcome_of(rest_of(connection)) == (408, "timeout")
        assert time.monotonic() - began < 2


def test_empty_lines_without_end_are_no_request(impatient: Server) -> None:
    with impatient.connect() as connection:
        connection.sendall(WHOLE)
        read_answer(connection)
        began = time.monotonic()
        drip(connection, b"\r\n" * 200, seconds=4)
        assert outcome_of(rest_of(connection)) == (408, "timeout")
        assert time.monotonic() - began < 3


def test_a_connection_that_says_nothing_is_closed(impatient: Server) -> None:
    with impatient.connect() as connection:
        began = time.monotonic()
        assert rest_of(connection) == b""
        assert time.monotonic() - began < 2


def test_a_head_without_end_is_431_before_it_is_large(impatient: Server) -> None:
    with impatient.connect() as connection:
        connection.sendall(HEAD.encode() + b"X: " + b"y" * 20_000)
        assert outcome_of(rest_of(connection)) == (431, "too-long")


def test_what_is_no_http_is_400(impatient: Server) -> None:
    with impatient.connect() as connection:
        connection.sendall(b"\x16\x03\x01\x02\x00\x01\x00")  # a TLS greeting
        assert outcome_of(rest_of(connection)) == (400, "structure")


def test_a_body_that_trickles_is_408(impatient: Server) -> None:
    with impatient.connect() as connection:
        connection.sendall(WHOLE[: -len(RECORD)])
        drip(connection, RECORD, seconds=1)
        answer = connection.recv(65536)
        assert outcome_of(answer) == (408, "timeout")


def test_slow_bodies_in_every_place_turn_others_away_at_once_but_not_the_probes(
    impatient: Server,
) -> None:
    slow = [impatient.connect() for _ in range(PLACES)]
    for connection in slow:
        connection.sendall(WHOLE[:-1])
    eventually(lambda: in_flight(impatient) == PLACES + 1, 0.5)
    began = time.monotonic()
    turned_away = impatient.ask()
    assert (turned_away.status_code, turned_away.headers["retry-after"]) == (503, "1")
    assert httpx.get(f"{impatient.base}/readyz").status_code == 200
    assert time.monotonic() - began < 0.5
    for connection in slow:
        with connection:
            assert b" 408 " in connection.recv(4096)


def test_a_refused_body_is_not_read_for_ever(impatient: Server) -> None:
    """What is refused before its body came (here for its type) holds the connection no longer."""
    refused = HEAD.replace(FHIR["content-type"], "text/csv") + "Content-Length: 100000\r\n\r\n"
    with impatient.connect() as connection:
        connection.sendall(refused.encode())
        answer = HTTPResponse(connection)
        answer.begin()
        assert answer.status == 415
        assert json.loads(answer.read())["resourceType"] == "OperationOutcome"
        began = time.monotonic()
        drip(connection, b"x" * 300, seconds=4)
        assert rest_of(connection) == b""
        assert time.monotonic() - began < 3


def test_an_answer_that_is_not_read_is_given_up(impatient: Server) -> None:
    """Forty answers are asked for and none is read: what is left of them is thrown away."""
    size = len(impatient.ask().content)
    connection = socket.socket()
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    connection.settimeout(10)
    connection.connect(("127.0.0.1", impatient.port))
    with connection:
        connection.sendall(WHOLE * 40)
        time.sleep(1.5)
        assert len(rest_of(connection)) < 39 * size


@pytest.mark.parametrize("sent", [WHOLE[:200], WHOLE[:-1], WHOLE], ids=["head", "body", "whole"])
@pytest.mark.parametrize("rudely", [False, True], ids=["FIN", "RST"])
def test_a_caller_who_vanishes_takes_nothing_along(
    impatient: Server, sent: bytes, rudely: bool
) -> None:
    before = impatient.ask().json()
    for _ in range(3 * PLACES):
        with impatient.connect() as connection:
            connection.sendall(sent)
            if rudely:
                at_once = struct.pack("ii", 1, 0)
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, at_once)
    eventually(lambda: impatient.ask().status_code == 200)
    assert impatient.ask().json() == before


def test_of_too_many_connections_the_one_idle_the_longest_goes(start: Start) -> None:
    process, base = start(by=bounded(connections=40))  # the usual time for a head: no other goes
    until_live(base)
    with httpx.Client() as client:
        idle = [process.connect() for _ in range(60)]
        assert process.ask(client).status_code == 200
        assert idle[0].recv(1) == b""
        idle[-1].settimeout(0.05)
        with pytest.raises(TimeoutError):
            idle[-1].recv(1)
        for connection in idle:
            connection.close()


def test_where_files_run_out_callers_are_served_and_files_are_read(start: Start) -> None:
    """Two hundred idle connections where a hundred files may be open."""
    process, base = start(open_files=100)
    until_live(base)
    idle = [process.connect() for _ in range(200)]
    asked = f"{base}{PROPOSE}?target=desiccated-thyroid&time-zone=Pacific/Auckland"
    answer = httpx.post(asked, content=RECORD, headers=FHIR, timeout=20)  # a zone is a file
    assert answer.status_code == 200, answer.text
    assert len(list(Path(f"/proc/{process.pid}/fd").iterdir())) < 80
    for connection in idle:
        connection.close()


def test_a_probe_is_answered_between_two_computations(start: Start) -> None:
    """A hundred calls at once: whatever watches the service does not wait for them all."""
    process, base = start()
    until_live(base)
    with httpx.Client() as probe:
        probe.get(f"{base}/metrics")
        crowd = [process.connect() for _ in range(100)]
        for connection in crowd:
            connection.sendall(WHOLE[:-1])
        eventually(lambda: in_flight(process) == 101)  # with the one that asks
        for connection in crowd:
            connection.sendall(WHOLE[-1:])
        page = probe.get(f"{base}/metrics").text
    assert answered(page) < 50
    for connection in crowd:
        with connection:
            read_answer(connection)
    assert answered(httpx.get(f"{base}/metrics").text) == 100


def answered(page: str) -> int:
    """How many plans were made so far."""
    counted = f'crossgrain_requests_total{{method="POST",route="{PROPOSE}",status="200"}} '
    (line,) = [text for text in page.splitlines() if text.startswith(counted)] or ["0 0"]
    return int(float(line.rpartition(" ")[2]))
