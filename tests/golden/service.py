"""The service of a source tree, driven from outside: its server and its command line."""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.api.calls import FIXTURES
from tests.golden.answers import OF_A_NIGHT, Answer
from tests.golden.asked import Call, calls, definitions
from tests.golden.commands import Command, commands

Question = Call | Command

COMMAND = Path(sys.executable).with_name("crossgrain")
STOPPED = Path(__file__).parent / "stopped"
_TAKES_WITH_IT = re.compile("CROSSGRAIN_|PYTHON|OTEL_|FORCE_COLOR|TERM$")
"""Variables that would change an answer."""


class Service:
    """The server of one source tree, and its commands."""

    def __init__(self, tree: Path, port: int, folder: Path) -> None:
        self._tree, self._folder = tree, folder
        self._connection = HTTPConnection("127.0.0.1", port, timeout=60)
        version = json.loads(self._sent("GET", "/readyz", {}, None)[2])["version"]
        words = {
            version: "version", f"127.0.0.1:{port}": "server", str(folder): "folder",
            str(FIXTURES): "fixtures",
        }  # fmt: skip
        self._changing = tuple((re.compile(re.escape(w.encode())), n) for w, n in words.items())

    def questions(self) -> Iterator[Question]:
        """Every call, the reads that the service lists itself, and every command."""
        yield from calls()
        yield from definitions(json.loads(self._sent("GET", "/openapi.json", {}, None)[2]))
        yield from commands()

    def ask(self, question: Question) -> Answer:
        """Make a call or run a command."""
        if isinstance(question, Command):
            return self._run(question).without((*self._changing, *OF_A_NIGHT))
        return self._call(question).without(self._changing)

    def _call(self, call: Call) -> Answer:
        status, kind, body = self._sent(call.method, call.path, call.headers, call.body)
        return Answer(f"{status} {kind}", (("body", body),))

    def _sent(
        self, method: str, path: str, headers: dict[str, str], body: bytes | None
    ) -> tuple[int, str, bytes]:
        self._connection.request(method, path, body, headers)
        answer = self._connection.getresponse()
        return answer.status, answer.headers.get("content-type", ""), answer.read()

    def _run(self, command: Command) -> Answer:
        """Run it in an empty folder of its own."""
        folder = self._folder / command.folder
        folder.mkdir()
        for arguments in command.first:
            subprocess.run([sys.executable, *arguments], cwd=folder, check=True)
        ran = subprocess.run(
            [COMMAND, *command.arguments], cwd=folder, env=_environment(self._tree),
            capture_output=True, timeout=120, check=False,
        )  # fmt: skip
        files = [(name, (folder / name).read_bytes()) for name in command.writes]
        return Answer(
            f"exit {ran.returncode}", (("printed", ran.stdout), ("beside", ran.stderr), *files)
        )


def digests_of(
    service: Service, look: Callable[[Question, Answer], None] = lambda question, answer: None
) -> dict[tuple[str, str], str]:
    """The digest of every answer, by surface and name; commands run beside the calls.

    Each answer is shown to `look`; none is kept.
    """

    def ask(question: Question) -> str:
        answer = service.ask(question)
        look(question, answer)
        return answer.digest

    questions = list(service.questions())
    run = [question for question in questions if isinstance(question, Command)]
    called = [question for question in questions if isinstance(question, Call)]
    with ThreadPoolExecutor(1) as beside:
        ran = beside.map(ask, run)
        digests = [*map(ask, called), *ran]
    return {(q.surface, q.name): digest for q, digest in zip([*called, *run], digests, strict=True)}


@contextmanager
def serving(tree: Path) -> Iterator[Service]:
    """Start the server of a source tree on a free port of this machine, its clock stopped."""
    port = _free_port()
    with TemporaryDirectory(prefix="golden-") as folder:
        said = Path(folder, "server.txt")
        with said.open("wb") as out:
            server = subprocess.Popen(
                [COMMAND, "serve", "--port", str(port)],
                env=_environment(tree), stdout=out, stderr=out,
            )  # fmt: skip
        try:
            _until_it_serves(server, port, said)
            yield Service(tree, port, Path(folder))
        finally:
            server.terminate()
            server.wait(30)


@contextmanager
def checked_out(revision: str) -> Iterator[Path]:
    """A worktree of a commit, gone again afterwards."""
    root = Path(__file__).parents[2]
    with TemporaryDirectory(prefix="golden-base-") as folder:
        tree = Path(folder, "tree")
        git = ("git", "-C", str(root), "worktree")
        subprocess.run([*git, "add", "--quiet", "--detach", tree, revision], check=True)
        try:
            yield tree
        finally:
            shutil.rmtree(tree)
            subprocess.run([*git, "prune"], check=True)


def _environment(tree: Path) -> dict[str, str]:
    """This process's, without what would change an answer; the tree's package comes first."""
    kept = {name: value for name, value in os.environ.items() if not _TAKES_WITH_IT.match(name)}
    paths = os.pathsep.join(map(str, (STOPPED, tree / "service")))
    return kept | {
        "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1", "COLUMNS": "120", "NO_COLOR": "1",
    }  # fmt: skip


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
        return port


def _until_it_serves(server: subprocess.Popen[bytes], port: int, said: Path) -> None:
    for _ in range(600):
        if server.poll() is not None:
            break
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.05)
    raise RuntimeError(f"the server did not start: {said.read_text()}")
