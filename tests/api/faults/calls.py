"""Calls as they go over the wire, and what comes back on it."""

import socket
import time
from http.client import HTTPResponse

from tests.api.calls import FHIR, RECORD
from tests.api.errors import issue_of
from tests.api.servers import ASKED, Server

HEAD = f"POST {ASKED} HTTP/1.1\r\nHost: x\r\nContent-Type: {FHIR['content-type']}\r\n"
WHOLE = f"{HEAD}Content-Length: {len(RECORD)}\r\n\r\n".encode() + RECORD


def slow_call(server: Server) -> socket.socket:
    """A call whose body never comes."""
    connection = server.connect()
    connection.sendall(WHOLE[: 1000 - len(RECORD)])
    time.sleep(0.2)
    return connection


def rest_of(connection: socket.socket) -> bytes:
    """All that still comes until the server closes, in order or not."""
    received = b""
    try:
        while some := connection.recv(65536):
            received += some
    except ConnectionResetError:
        pass
    return received


def read_answer(connection: socket.socket) -> None:
    """Read a 200 to its end, which its length tells."""
    answer = HTTPResponse(connection)
    answer.begin()
    assert answer.status == 200
    answer.read()


def outcome_of(answer: bytes) -> tuple[int, str]:
    """Status and issue code of an answer that must be an error of the service's own table."""
    head, _, body = answer.partition(b"\r\n\r\n")
    return issue_of(int(head.split()[1]), body)


def drip(connection: socket.socket, content: bytes, seconds: float) -> None:
    """Send a byte at a time for so long, or until the other side has had enough."""
    until = time.monotonic() + seconds
    for number in range(len(content)):
        if time.monotonic() > until:
            return
        try:
            connection.sendall(content[number : number + 1])
        except OSError:
            return
        time.sleep(0.02)
