"""The bodies of one size on disk; before anything is measured they are looked at and answered."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import orjson

from .bodies import PATIENTS, TAILS, head, tail, with_serial
from .server import Server

PROPOSE = "/fhir/r4/$propose-switch"
_CHECKED = {25: 3000, 250: 60, 2500: 12}
"""How many are sent at each size: every tail at least once."""


@dataclass(frozen=True, slots=True)
class Sent:
    """The bodies of one size, as the load tool puts them together, and how they are answered.

    `heads`, `tails`: files, a head or a tail a line; `patients`: how many heads there are.
    """

    size: int
    rare: bool
    heads: Path
    tails: Path
    patients: int
    checked: "Checked"


@dataclass(slots=True)
class Checked:
    """What came of the bodies that were sent before anything was measured."""

    outcomes: Counter[str] = field(default_factory=Counter)
    bytes_sent: int = 0
    bytes_answered: int = 0

    @property
    def count(self) -> int:
        """How many there were."""
        return self.outcomes.total()

    @property
    def share_of_plans(self) -> float:
        """How many of the answers are a whole plan."""
        return self.outcomes["plan"] / self.count


def prepare(
    server: Server, size: int, folder: Path, *, rare: bool = False, most: int = PATIENTS
) -> Sent:
    """Make the bodies of a size, and check `most` of them or as many as are to be; see `check`."""
    heads = [head(number, rare=rare) for number in range(PATIENTS)]
    tails = [tail(size, number) for number in range(TAILS[size])]
    assert len(set(heads)) == len(heads), "two patients are alike"
    heads_file, tails_file = folder / f"{size}-{rare}.heads", folder / f"{size}-{rare}.tails"
    heads_file.write_bytes(b"\n".join(heads))
    tails_file.write_bytes(b"\n".join(tails))
    some = heads[: min(most, _CHECKED[size])]
    checked = check(server, (h + tails[i % len(tails)] for i, h in enumerate(some)))
    return Sent(size, rare, heads_file, tails_file, len(heads), checked)


def check(server: Server, bodies: Iterable[bytes]) -> Checked:
    """Send each body; each must be answered with a proposal.

    Raises
    ------
    AssertionError
        where one is not: what is measured would not be the work that it is meant to be.
    """
    checked = Checked()
    for number, body in enumerate(bodies):
        status, answer = server.answer(PROPOSE, with_serial(body, number))
        assert status == 200, f"body {number}: {status}, {answer!r}"
        outcome = outcome_of(answer)
        assert outcome in {"plan", "stop"}, f"body {number}: {outcome}"
        checked.outcomes[outcome] += 1
        checked.bytes_sent += len(body)
        checked.bytes_answered += len(answer)
    return checked


def outcome_of(answer: bytes) -> str:
    """How a call ended: with a plan, with a safety stop, or with questions."""
    guidance = orjson.loads(answer)["entry"][0]["resource"]
    if guidance["status"] != "success":
        return str(guidance["status"])
    return "plan" if "result" in guidance else "stop"
