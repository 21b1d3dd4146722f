"""Another's server, real and on this machine, that can be made to fail in every way."""

import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

Behaviour = Callable[[socket.socket], None]
"""What is done with a connection once its request has come."""


class Other:
    """Listens, counts the requests, and answers as it is told to."""

    def __init__(self) -> None:
        self.asked = 0
        self.behave: Behaviour = closes
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}/keys"
        threading.Thread(target=self._serve, daemon=True).start()

    def stop(self) -> None:
        """From now on nobody listens."""
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._one, args=(connection,), daemon=True).start()

    def _one(self, connection: socket.socket) -> None:
        with connection:
            try:
                if connection.recv(65536):
                    self.asked += 1
                    self.behave(connection)
            except OSError:
                return  # the one who asked has had enough


@contextmanager
def another() -> Iterator[Other]:
    """Another's server, while it is needed."""
    other = Other()
    try:
        yield other
    finally:
        if other._listening.fileno() >= 0:
            other.stop()


def answers(document: Any, status: str = "200 OK") -> Behaviour:
    """Answers with JSON, or with the very bytes."""
    body = document if isinstance(document, bytes) else json.dumps(document).encode()
    head = f"HTTP/1.1 {status}\r\nContent-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    return lambda connection: connection.sendall(head.encode() + body)


def closes(connection: socket.socket) -> None:
    """Hangs up."""


def says_nothing(connection: socket.socket) -> None:
    """Takes the request, and lets the one who asked wait."""
    time.sleep(30)


def drips(connection: socket.socket) -> None:
    """Sends a byte now and then: no single wait is long."""
    connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n")
    for _ in range(300):
        connection.sendall(b" ")
        time.sleep(0.1)


def never_ends(connection: socket.socket) -> None:
    """Sends without end, as fast as it is taken."""
    connection.sendall(b"HTTP/1.1 200 OK\r\n\r\n")
    while True:
        connection.sendall(b" " * 65536)
