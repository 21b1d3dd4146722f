"""One run of the load tool: what was answered, and how long each answer took.

The tool is wrk, one thread on a core of its own. A connection asks again as soon as it was
answered. Its times are corrected by the tool for requests that a slow answer held back, so that
a pause counts for every request that would have been sent meanwhile.
"""

import math
import shutil
import subprocess
from collections import Counter
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

from .sent import Sent
from .server import LOAD_CORE, Server, pinned
from .shapes import SERIAL

TOOL = "wrk"
_SCRIPT = Path(__file__).with_name("cycle.lua")
_SERIALS = count(1_000_000, 1_000_000)
"""Each run begins a million further on, so that no patient comes twice."""


def is_there() -> bool:
    """Whether the load tool is installed."""
    return shutil.which(TOOL) is not None


@dataclass(slots=True)
class Answers:
    """What came back in one run, or in several together.

    `errors`: by kind; ``unexplained`` is an answer that is neither 200 nor says when to come back.
    Where a long body is refused before all of it was sent, the tool breaks off, and counts an error
    of writing or reading beside the answer.
    """

    seconds: float = 0
    statuses: Counter[int] = field(default_factory=Counter)
    errors: Counter[str] = field(default_factory=Counter)
    microseconds: Counter[int] = field(default_factory=Counter)

    def add(self, other: "Answers") -> None:
        """Count another run in."""
        self.seconds += other.seconds
        self.statuses += other.statuses
        self.errors += other.errors
        self.microseconds += other.microseconds

    @property
    def good_a_second(self) -> float:
        """Answers of 200 a second."""
        return self.statuses[200] / self.seconds

    @property
    def refused(self) -> dict[int, int]:
        """The other answers, by status."""
        return {status: times for status, times in sorted(self.statuses.items()) if status != 200}

    def percentile_ms(self, percent: float) -> float:
        """The time within which so many in a hundred were answered, in milliseconds."""
        left = self.microseconds.total() * percent / 100
        for microseconds, times in sorted(self.microseconds.items()):
            left -= times
            if left <= 0:
                return microseconds / 1000
        return math.inf  # nothing was answered


def drive(server: Server, path: str, sent: Sent, connections: int, seconds: float) -> Answers:
    """Send the bodies over so many connections for so long."""
    command = [
        *pinned(LOAD_CORE), TOOL, "--threads", "1", "--connections", str(connections),
        "--duration", f"{max(1, round(seconds))}s", "--timeout", "120s", "--script", str(_SCRIPT),
        f"{server.base}{path}", "--", str(sent.heads), str(sent.tails), str(next(_SERIALS)), SERIAL,
    ]  # fmt: skip
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return _read(said)


def _read(said: str) -> Answers:
    answers = Answers()
    for line in said.splitlines():
        match line.split(" "):
            case ["status", status, times]:
                answers.statuses[int(status)] += int(times)
            case ["error", kind, times]:
                answers.errors[kind] += int(times)
            case ["took", microseconds, times]:
                answers.microseconds[int(microseconds)] += int(times)
            case ["lasted", microseconds, "0"]:
                answers.seconds += int(microseconds) / 1e6
    return answers
