"""The server as a process: started as the image starts it, watched through /proc."""

import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from pathlib import Path

from crossgrain.http.settings import Settings

SERVICE = (str(Path(sys.executable).with_name("crossgrain")), "serve")
"""The command that the image runs."""
FLOOR = (sys.executable, "-m", "tests.bench.serve.echoing")
"""A plain route on a server of its own."""
SERVER_CORE, LOAD_CORE = 0, 1
_ROOT = Path(__file__).parents[3]
_TICKS = os.sysconf("SC_CLK_TCK")
_COUNTED = re.compile(
    r'^crossgrain_requests_total\{method="POST",route="([^"]+)",status="(\d+)"\} (\S+)$', re.M
)


def pinned(core: int) -> list[str]:
    """What goes before a command to keep it on one core, where there are two to share."""
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2 or shutil.which("taskset") is None:
        return []
    return ["taskset", "-c", str(cores[core])]


@dataclass(frozen=True, slots=True)
class Server:
    """One running server."""

    pid: int
    port: int

    @property
    def base(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self.port}"

    def cpu_seconds(self) -> float:
        """Processor time that it has used, of its own and the kernel's for it."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / _TICKS

    def memory_mib(self, which: str = "VmRSS") -> float:
        """Resident memory now, or ``VmHWM``: the most that it was."""
        status = Path(f"/proc/{self.pid}/status").read_text()
        found = re.search(rf"^{which}:\s+(\d+) kB$", status, re.M)
        assert found is not None
        return int(found[1]) / 1024

    def answer(self, path: str, body: bytes | None = None) -> tuple[int, bytes]:
        """One call on a connection of its own."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            headers = {"content-type": "application/fhir+json"}
            connection.request("POST" if body else "GET", path, body, headers if body else {})
            got = connection.getresponse()
            return got.status, got.read()
        finally:
            connection.close()

    def served(self, route: str) -> dict[int, int]:
        """How often it has answered a route with each status, by its own count."""
        page = self.answer("/metrics")[1].decode()
        return {
            int(status): int(float(times))
            for counted, status, times in _COUNTED.findall(page)
            if counted == route
        }

    def settle(self) -> None:
        """Wait until nothing is under way but the question itself: a load tool leaves some."""
        for _ in range(2400):
            if b"\ncrossgrain_requests_in_flight 1.0\n" in self.answer("/metrics")[1]:
                return
            time.sleep(0.05)
        raise TimeoutError("requests are still under way")


@contextmanager
def running(command: tuple[str, ...] = SERVICE, **settings: str) -> Iterator[Server]:
    """A server that is ready, all its settings the defaults but those named."""
    process, port = begun(command, settings)
    try:
        until_ready(process, port)
        yield Server(process.pid, port)
    finally:
        process.terminate()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def begun(
    command: tuple[str, ...], settings: Mapping[str, str]
) -> tuple[subprocess.Popen[bytes], int]:
    """Start a server on a free port, its words thrown away."""
    unknown = set(settings) - set(Settings.model_fields)
    assert not unknown, f"the service has no setting {unknown}"
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
    surroundings = {name: value for name, value in os.environ.items() if not _is_setting(name)}
    surroundings.pop("PYTHONDONTWRITEBYTECODE", None)  # an image holds bytecode
    named = {f"CROSSGRAIN_{name.upper()}": value for name, value in settings.items()}
    process = subprocess.Popen(
        [*pinned(SERVER_CORE), *command, "--port", str(port)],
        cwd=_ROOT,
        env=surroundings | named,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    return process, port


def until_ready(process: subprocess.Popen[bytes], port: int, patience: float = 60) -> None:
    """Ask until ``/readyz`` says 200."""
    end = time.monotonic() + patience
    while time.monotonic() < end:
        if process.poll() is not None:
            raise ChildProcessError(f"the server ended with {process.returncode}")
        if _is_ready(port):
            return
        time.sleep(0.005)
    raise TimeoutError("the server was not ready in time")


def _is_ready(port: int) -> bool:
    connection = HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        connection.request("GET", "/readyz")
        return connection.getresponse().status == 200
    except (OSError, HTTPException):
        return False
    finally:
        connection.close()


def _is_setting(name: str) -> bool:
    return name.startswith(("CROSSGRAIN_", "PROMETHEUS_"))
