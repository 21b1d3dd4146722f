"""How long a newcomer waits: from the clone to a plan, an HTTP answer, a card, a night.

``python -m tests.bench.newcomer`` clones this repository into a folder of its own, does there what
the README says, word for word, and prints a table. It reports, and fails on no time; a command
that does not work as written ends it. The package is installed from wherever pip is set to look.
"""

import re
import shlex
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parents[3]
MOST_SECONDS = 120
"""For the service to start: far above what it takes on the slowest machine."""


@dataclass
class Clock:
    """The seconds of each step, in their order."""

    began: float = field(default_factory=time.monotonic)
    rows: list[tuple[str, float, float]] = field(default_factory=list)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Take the time of one step, and of all so far."""
        started = time.monotonic()
        yield
        ended = time.monotonic()
        self.rows.append((name, ended - started, ended - self.began))
        print(f"{name}: {ended - started:.1f} s", file=sys.stderr)

    def table(self) -> str:
        """As it stands in service/docs/testing.md."""
        lines = [f"| {name} | {own:.1f} | {sum_:.1f} |" for name, own, sum_ in self.rows]
        heads = ["| step | seconds | since the clone began |", "| --- | --- | --- |"]
        return "\n".join([*heads, *lines])


def commands(document: Path, heading: str = "") -> list[str]:
    """The shell commands below a heading, or in the whole document, a line each."""
    section = document.read_text("utf-8")
    if heading:
        section = section.partition(f"## {heading}\n")[2].partition("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    return "".join(blocks).replace("\\\n", " ").splitlines()


def shell(command: str, folder: Path) -> str:
    """Run one command as written.

    Raises
    ------
    subprocess.CalledProcessError
        where it does not end well: the README is then wrong.
    """
    done = subprocess.run(
        ["bash", "-c", command], cwd=folder, check=True, capture_output=True, text=True
    )
    return done.stdout


def wait_for(address: str) -> None:
    """Wait until the service answers.

    Raises
    ------
    TimeoutError
        where it does not.
    """
    for _ in range(MOST_SECONDS * 10):
        try:
            urllib.request.urlopen(address, timeout=1).close()
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.1)
        else:
            return
    raise TimeoutError(address)


def main() -> None:
    """Do what a newcomer does, and print how long each took."""
    with tempfile.TemporaryDirectory() as parent:
        clone, clock = Path(parent) / "crossgrain", Clock()
        readme = clone / "README.md"
        with clock.step("clone"):
            shell(f"git clone -q {shlex.quote(str(HERE))} crossgrain", clone.parent)
        with clock.step("install, and the first plan (README, Run it)"):
            assert "The checkpoint" in shell(commands(readme, "Run it")[0], clone)
        with clock.step("the same plan again"):
            again = commands(readme, "Run it")[0].rpartition("&& ")[2]
            shell(again, clone)
        serve, *calls = commands(readme, "Over HTTP")
        with subprocess.Popen(
            shlex.split(serve), cwd=clone, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as server:
            try:
                with clock.step("the service's start, and the first HTTP answer"):
                    wait_for("http://127.0.0.1:8000/readyz")
                    assert "GuidanceResponse" in shell(calls[0], clone)
                with clock.step("the first card (order entry)"):
                    documented = commands(clone / "service/docs/order-entry.md")
                    card = next(call for call in documented if "order-sign.json" in call)
                    assert '"cards":[{' in shell(card, clone).replace(" ", "")
            finally:
                server.terminate()
        install, generate, screen, *_ = commands(readme, "At night")
        with clock.step("what the night alone needs"):
            shell(install, clone)
        with clock.step("an export of 1,000 invented patients"):
            shell(generate, clone)
        with clock.step("the first night"):
            shell(screen, clone)
            assert (clone.parent / "demo" / "flags" / "summary.html").is_file()
        print(clock.table())


if __name__ == "__main__":
    main()
