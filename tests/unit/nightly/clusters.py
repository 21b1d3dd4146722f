"""A standalone Spark cluster on this machine, which ends with the test whatever happens."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PATIENCE_SECONDS = 180
_END_WITH_PARENT = """
import ctypes, os, signal, sys
ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG, which outlasts the exec
os.execv(sys.argv[1], sys.argv[1:])
"""
"""A killed test run leaves no cluster behind."""


class Member:
    """A master or a worker, with the executors that it starts, as one group of processes."""

    def __init__(self, folder: Path, command: list[str], env: dict[str, str]) -> None:
        self.folder = folder
        self.log = folder / "log"
        with self.log.open("wb") as written:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _END_WITH_PARENT, *command],
                env=env,
                cwd=folder,
                stdin=subprocess.DEVNULL,
                stdout=written,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def said(self, pattern: str, logs: str = "log") -> str:
        """Wait until it, or what it has started, says something; the first group of that."""
        give_up = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < give_up:
            for log in self.folder.glob(logs):
                if found := re.search(pattern, log.read_text("utf-8", "replace")):
                    return found[1]
            assert self._process.poll() is None, self.log.read_text("utf-8", "replace")[-2000:]
            time.sleep(0.05)
        raise TimeoutError(f"{self.folder.name} never said {pattern}")

    def kill(self) -> None:
        """End it and all that it has started, without a word."""
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()


class Cluster:
    """One master and its workers."""

    def __init__(self, home: Path, folder: Path, env: dict[str, str]) -> None:
        self._launcher = home / "bin" / "spark-class"
        self._folder, self._env = folder, {**env, "SPARK_HOME": str(home)}
        self.members: list[Member] = []
        self.address = ""

    def start(self) -> Member:
        """The master, which says at which address it listens."""
        master = self._member("Master", "--port", "0", "--webui-port", "0")
        self.address = master.said(r"Starting Spark master at (spark://\S+)")
        return master

    def add_worker(self) -> Member:
        """One more worker, of one core."""
        sized = ("--cores", "1", "--memory", "1g", "--webui-port", "0")
        worker = self._member("Worker", *sized, "--work-dir", "work", self.address)
        worker.said(r"(Successfully registered) with master")
        return worker

    def _member(self, role: str, *more: str) -> Member:
        kind = f"org.apache.spark.deploy.{role.lower()}.{role}"
        command = [str(self._launcher), kind, "--host", "127.0.0.1", *more]
        folder = self._folder / f"{role.lower()}{len(self.members)}"
        folder.mkdir()
        member = Member(folder, command, self._env)
        self.members.append(member)
        return member


@contextmanager
def standalone(home: Path, folder: Path, env: dict[str, str]) -> Iterator[Cluster]:
    """A cluster that is not started yet; all of it is gone at the end."""
    cluster = Cluster(home, folder, env)
    try:
        yield cluster
    finally:
        for member in reversed(cluster.members):
            member.kill()
