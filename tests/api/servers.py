"""The server as a process of its own, for the tests that need a real one."""

import os
import resource
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

import httpx2 as httpx
import pytest

from .calls import FHIR, PROPOSE, QUERY, RECORD

COMMAND = Path(sys.executable).with_name("crossgrain")
ASKED = f"{PROPOSE}{QUERY}"


class Server(subprocess.Popen[str]):
    """A server on a free port of this machine; its words go to a file, or where `stderr` says."""

    def __init__(
        self,
        words: Path,
        arguments: tuple[str, ...] = (),
        settings: Mapping[str, str] | None = None,
        stderr: int | None = None,
        open_files: int | None = None,
        by: tuple[str, ...] = (),
    ) -> None:
        self.words = words
        self.port = free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        limit = partial(resource.setrlimit, resource.RLIMIT_NOFILE, (open_files, open_files))
        with words.open("w") as out:
            super().__init__(
                [*by, COMMAND, "serve", "--port", str(self.port), *arguments],
                env={**os.environ, **(settings or {})},
                stderr=out if stderr is None else stderr,
                text=True,
                preexec_fn=limit if open_files else None,
            )

    def said(self) -> str:
        """Everything that it has said once it has stopped."""
        self.wait(20)
        return self.words.read_text()

    def connect(self, seconds: float = 10.0) -> socket.socket:
        """A bare connection."""
        return socket.create_connection(("127.0.0.1", self.port), timeout=seconds)

    def ask(self, client: httpx.Client | None = None) -> httpx.Response:
        """Ask for a plan that can be made."""
        post = client.post if client else httpx.post
        return post(f"{self.base}{ASKED}", content=RECORD, headers=FHIR, timeout=20)


Start = Callable[..., tuple[Server, str]]


def free_port() -> int:
    """A port at which nobody listens."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
        return port


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Begin a server: arguments of the command, and settings by their small names."""
    running: list[Server] = []

    def begin(
        *arguments: str,
        stderr: int | None = None,
        open_files: int | None = None,
        by: tuple[str, ...] = (),
        **named: str,
    ) -> tuple[Server, str]:
        settings = {
            name if name.isupper() else f"CROSSGRAIN_{name.upper()}": value
            for name, value in named.items()
        }
        words = tmp_path / f"{len(running)}.txt"
        running.append(Server(words, arguments, settings, stderr, open_files, by))
        return running[-1], running[-1].base

    yield begin
    for process in running:
        if process.poll() is None:
            process.kill()
        process.wait()


def until_live(base: str) -> None:
    """Wait until it serves."""
    for _ in range(300):
        try:
            if httpx.get(f"{base}/livez").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.05)
    pytest.fail("the server did not start")
