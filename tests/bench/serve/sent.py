"""The bodies of one size on disk, each answered once before anything is measured."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import orjson

from .bodies import BODIES, bodies, with_serial
from .server import Server

RARE = 3000
"""Bodies on rare doses: more than there are plans that the service keeps."""
PROPOSE = "/fhir/r4/$propose-switch"


@dataclass(frozen=True, slots=True)
class Sent:
    """The bodies of one size, as the load tool reads them, and how the service answers them."""

    size: int
    rare: bool
    file: Path
    count: int
    body_bytes: int
    answer_bytes: int
    outcomes: Counter[str]

    @property
    def share_of_plans(self) -> float:
        """How many of the answers are a whole plan."""
        return self.outcomes["plan"] / self.count


def prepare(
    server: Server, size: int, folder: Path, share: float = 1, *, rare: bool = False
) -> Sent:
    """Make the bodies of a size and send each once; all must be answered with a proposal.

    Raises
    ------
    AssertionError
        where one is not: what is measured would not be the work that it is meant to be.
    """
    made = bodies(size, max(4, round((RARE if rare else BODIES[size]) * share)), rare=rare)
    assert len(set(made)) == len(made), "two bodies are alike"
    file = folder / f"{size}{'-rare' if rare else ''}.ndjson"
    file.write_bytes(b"".join(body + b"\n" for body in made))
    outcomes: Counter[str] = Counter()
    answered = 0
    for serial, body in enumerate(made):
        status, answer = server.answer(PROPOSE, with_serial(body, serial))
        assert status == 200, f"body {serial} of {size} resources was answered {status}: {answer!r}"
        outcomes[outcome_of(answer)] += 1
        answered += len(answer)
    assert outcomes.total() == outcomes["plan"] + outcomes["stop"], outcomes
    count = len(made)
    return Sent(size, rare, file, count, sum(map(len, made)) // count, answered // count, outcomes)


def outcome_of(answer: bytes) -> str:
    """How a call ended: with a plan, with a safety stop, or with questions."""
    guidance = orjson.loads(answer)["entry"][0]["resource"]
    if guidance["status"] != "success":
        return str(guidance["status"])
    return "plan" if "result" in guidance else "stop"
