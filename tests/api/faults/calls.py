"""Calls that are under way when something happens."""

import socket
import time

from tests.api.calls import FHIR, RECORD
from tests.api.servers import ASKED, Server


def slow_call(server: Server) -> socket.socket:
    """A call whose body never comes."""
    connection = server.connect()
    head = f"POST {ASKED} HTTP/1.1\r\nHost: x\r\nContent-Length: {len(RECORD)}\r\n"
    connection.sendall(f"{head}Content-Type: {FHIR['content-type']}\r\n\r\n".encode())
    connection.sendall(RECORD[:1000])
    time.sleep(0.2)
    return connection
