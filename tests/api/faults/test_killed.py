"""A process is killed: what its callers see, and that none of it is left behind."""

import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx2 as httpx
import pytest
from tests.api.faults.calls import slow_call
from tests.api.servers import COMMAND, Server, until_live
from tests.unit.nightly.exports import make


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server of two workers, whose counts are added up."""
    folder = tmp_path_factory.mktemp("pair")
    (folder / "counts").mkdir()
    settings = {"PROMETHEUS_MULTIPROC_DIR": str(folder / "counts")}
    with Server(folder / "words.txt", ("--workers", "2"), settings) as server:
        until_live(server.base)
        yield server
        server.kill()


def workers_of(pid: int) -> set[int]:
    """The processes that work for one."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return set()
    return {child for child in map(int, children) if b"spawn_main" in command_of(child)}


def command_of(pid: int) -> bytes:
    """Nothing where it is gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def has_begun_to_import(pid: int) -> bool:
    try:
        return "msgspec" in Path(f"/proc/{pid}/maps").read_text()
    except OSError:
        return False


def until(holds: Callable[[], object], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.002)


def test_a_worker_killed_mid_request_costs_its_callers_that_call_alone(pair: Server) -> None:
    """No half of an answer: the connection breaks, and the same call made again is answered."""
    wanted = pair.ask().content
    with slow_call(pair) as connection:
        for worker in workers_of(pair.pid):
            os.kill(worker, signal.SIGKILL)
        assert received(connection) == b""
    until_live(pair.base)
    assert pair.ask().content == wanted
    page = httpx.get(f"{pair.base}/metrics").text
    (under_way,) = [t for t in page.splitlines() if t.startswith("crossgrain_requests_in_flight ")]
    assert under_way.endswith(" 1.0")  # the one that asks; the dead one's is not counted for ever


def received(connection: socket.socket) -> bytes:
    try:
        return connection.recv(4096)
    except ConnectionResetError:
        return b""


def test_a_supervisor_that_is_killed_leaves_no_worker_and_a_free_port(pair: Server) -> None:
    """So that a new one can be started in its place."""
    until(lambda: len(workers_of(pair.pid)) == 2)
    workers = workers_of(pair.pid)
    pair.kill()
    pair.wait()
    until(lambda: not any(map(command_of, workers)))
    with socket.create_server(("127.0.0.1", pair.port)):
        pass


def test_a_night_that_is_killed_as_it_begins_leaves_no_process(tmp_path: Path) -> None:
    """Its workers were told what to do, and are still reading the code that they do it with."""
    export = make(tmp_path, patients=5)
    call = [COMMAND, "screen", str(export), "--out", str(tmp_path / "out"), "--jobs", "2"]
    with subprocess.Popen(call, stderr=subprocess.DEVNULL) as night:
        until(lambda: any(map(has_begun_to_import, workers_of(night.pid))))
        workers = workers_of(night.pid)
        night.kill()
    until(lambda: not any(map(command_of, workers)))
