"""What is answered before the app is asked: odd requests, and what could be read in two ways.

The rules are those of RFC 9110 and RFC 9112, named beside each.
"""

import json
import time
from collections.abc import Iterator
from http.client import HTTPResponse

import pytest
from tests.api.calls import FHIR, RECORD
from tests.api.faults.calls import HEAD, WHOLE, drip, outcome_of, read_answer, rest_of
from tests.api.servers import ASKED, Server, until_live

from crossgrain.http.connections import BOUNDS

LENGTH = f"Content-Length: {len(RECORD)}\r\n"
LIVE = b"GET /livez HTTP/1.1\r\nHost: x\r\n\r\n"
MOST = BOUNDS.header_bytes


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    settings = {"CROSSGRAIN_MAX_BODY_BYTES": "100000"}
    with Server(tmp_path_factory.mktemp("wire") / "words.txt", settings=settings) as running:
        until_live(running.base)
        yield running
        running.kill()


@pytest.fixture(autouse=True)
def whole_again(server: Server) -> Iterator[None]:
    yield
    assert server.poll() is None
    assert server.ask().status_code == 200


def chunked(sent: str, coding: str = "chunked") -> bytes:
    return f"{HEAD}Transfer-Encoding: {coding}\r\n\r\n{sent}".encode()


def live(headers: str = "", target: str = "/livez") -> bytes:
    """A probe whose headers and address come to `MOST` bytes where they are filled up."""
    return f"GET {target} HTTP/1.1\r\nHost: x\r\n{headers}\r\n".encode()


REFUSED = {
    "a size of a chunk that is none": (chunked("zz\r\nabc"), 400),  # RFC 9112, 7.1
    "the same after a chunk": (chunked("5\r\nabcde\r\nzz\r\n"), 400),
    "another coding": (chunked("x" * 9, "gzip"), 501),  # RFC 9112, 6.1
    "another coding and chunked": (chunked("5\r\nabcde\r\n0\r\n\r\n", "gzip, chunked"), 501),
    "chunked twice": (chunked("5\r\nabcde\r\n0\r\n\r\n", "chunked, chunked"), 400),
    "two lengths": (f"{HEAD}{LENGTH}Content-Length: 5\r\n\r\n".encode() + RECORD, 400),  # 6.3
    "a length and chunked": (f"{HEAD}{LENGTH}Transfer-Encoding: chunked\r\n\r\n".encode(), 400),
    "a tunnel": (b"CONNECT x:443 HTTP/1.1\r\nHost: x:443\r\n\r\n", 400),  # RFC 9110, 9.3.6
    "no host": (b"GET /livez HTTP/1.1\r\n\r\n", 400),  # RFC 9112, 3.2
    "two hosts": (live("Host: y\r\n"), 400),
    "an address that is none": (live(target="http://[::zz/livez"), 400),
    "a long address": (live(target=f"/livez?{'a' * 70_000}"), 414),  # RFC 9110, 15.5.15
    "an address one byte too long": (live(target=f"/livez?{'a' * (MOST - 11)}"), 414),
    "headers one byte too long": (live(f"X: {'a' * (MOST - 11)}\r\n"), 431),  # RFC 6585, 5
}


@pytest.mark.parametrize(("sent", "status"), REFUSED.values(), ids=REFUSED)
def test_what_is_refused_before_the_app_is_an_outcome(
    server: Server, sent: bytes, status: int
) -> None:
    with server.connect() as connection:
        connection.sendall(sent)
        answer = rest_of(connection)
    assert outcome_of(answer)[0] == status
    assert b"\r\nconnection: close\r\n" in answer.lower()
    assert answer.count(b"HTTP/1.1 ") == 1


def test_a_refusal_of_head_has_no_body(server: Server) -> None:
    """RFC 9110, 9.3.2: what followed would be taken for the next answer."""
    with server.connect() as connection:
        connection.sendall(b"HEAD /livez HTTP/1.1\r\n\r\n")
        head, _, body = rest_of(connection).partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 400 ")
    assert body == b""


def test_a_head_of_just_the_most_bytes_is_answered(server: Server) -> None:
    for sent in (live(target=f"/livez?{'a' * (MOST - 12)}"), live(f"X: {'a' * (MOST - 12)}\r\n")):
        with server.connect() as connection:
            connection.sendall(sent)
            read_answer(connection)


def test_a_refusal_comes_after_the_answers_to_what_was_asked_before(server: Server) -> None:
    """Each answer belongs to the request in whose turn it comes: none is lost, none is early."""
    for odd in (b"GARBAGE\r\n\r\n", chunked("zz\r\n"), REFUSED["a tunnel"][0]):
        with server.connect() as connection:
            connection.sendall(WHOLE + LIVE + odd)
            answers = rest_of(connection)
        assert answers.count(b"HTTP/1.1 200 OK") == 2
        assert answers.count(b"HTTP/1.1 ") == 3
        assert b'"resourceType":"OperationOutcome"' in answers.rpartition(b"HTTP/1.1 400 ")[2]


def test_a_refusal_is_read_to_its_end_by_who_sends_far_too_much(server: Server) -> None:
    """A close while bytes arrive would reset the connection under the answer (RFC 9112, 9.6)."""
    with server.connect() as connection:
        for _ in range(20):
            connection.sendall(b"GET /" + b"a" * 50_000)
            time.sleep(0.01)
        assert outcome_of(rest_of(connection)) == (414, "too-long")


def test_who_sends_on_after_a_refusal_is_not_heard_for_ever(server: Server) -> None:
    with server.connect() as connection:
        began = time.monotonic()
        drip(connection, b"x\r\n" * 1000, seconds=5)
        assert time.monotonic() - began < 3


UPGRADED = "Connection: keep-alive, Upgrade\r\nUpgrade: h2c\r\nHTTP2-Settings: AAMAAABk\r\n"
SOUND = {
    "another protocol offered": f"POST {ASKED} HTTP/1.1\r\nHost: x\r\n{UPGRADED}",  # RFC 9110, 7.8
    "WebSocket offered": f"POST {ASKED} HTTP/1.1\r\nHost: x\r\nConnection: Upgrade\r\n"
    "Upgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAA\r\n",
    "HTTP/1.0": f"POST {ASKED} HTTP/1.0\r\n",
    "an address with its host": f"POST http://x{ASKED} HTTP/1.1\r\nHost: x\r\n",  # 3.2.2
    "another expectation": f"POST {ASKED} HTTP/1.1\r\nHost: x\r\nExpect: more\r\n",
}


@pytest.mark.parametrize("first", SOUND.values(), ids=SOUND)
@pytest.mark.parametrize("parts", [1, 2])
def test_what_is_unusual_and_sound_is_answered(server: Server, first: str, parts: int) -> None:
    """By the very bytes of an ordinary call; the body may come with the head or after it."""
    head = f"{first}Content-Type: {FHIR['content-type']}\r\n{LENGTH}\r\n".encode()
    with server.connect() as connection:
        if parts == 1:
            connection.sendall(head + RECORD)
        else:
            for part in (head[:60], head[60:], RECORD[:100], RECORD[100:]):
                connection.sendall(part)
                time.sleep(0.05)
        answer = HTTPResponse(connection)
        answer.begin()
        assert answer.status == 200
        assert answer.read() == server.ask().content


def test_the_body_of_a_call_that_offers_another_protocol_is_no_second_request(
    server: Server,
) -> None:
    """Else whoever writes a body could have a proxy pass on a request that it never saw."""
    hidden = b"GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n"
    head = f"{HEAD}{UPGRADED}Content-Length: {len(hidden)}\r\n\r\n".encode()
    with server.connect() as connection:
        connection.sendall(head)
        time.sleep(0.1)
        connection.sendall(hidden + LIVE.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))
        answers = rest_of(connection)
    assert answers.count(b"HTTP/1.1 ") == 2
    assert b"crossgrain_requests_total" not in answers


def test_who_waits_to_send_a_body_is_told_to_go_on_or_refused_at_once(server: Server) -> None:
    with server.connect() as connection:
        connection.sendall(f"{HEAD}{LENGTH}Expect: 100-continue\r\n\r\n".encode())
        assert connection.recv(4096) == b"HTTP/1.1 100 Continue\r\n\r\n"
        connection.sendall(RECORD)
        read_answer(connection)
    with server.connect() as connection:
        connection.sendall(f"{HEAD}Content-Length: 100001\r\nExpect: 100-continue\r\n\r\n".encode())
        answer = HTTPResponse(connection)
        answer.begin()
        assert answer.status == 413
        assert json.loads(answer.read())["resourceType"] == "OperationOutcome"
