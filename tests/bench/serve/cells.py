"""Proposals and echoes of the same bodies, in turn, over several numbers of connections.

What a call costs depends above all on whether its plan must be made, so each mix says how:

==========  =====================================================================================
first pass  a clinic's day: distinct patients on the doses that are met, each sent once to a
            server that has just begun; some plans are in the cache by then
made        the same patients with the cache off, so that every plan is made
rare        doses, paces and charts that hardly come twice, each sent once to a server that has
            just begun
echo        the bodies of the first pass through a plain route on a server of its own
==========  =====================================================================================
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import product

from .echoing import ECHO
from .load import Answers, drive
from .processor import Watch
from .sent import PROPOSE, Sent
from .server import FLOOR, SERVICE, Server, running


class Mix(StrEnum):
    """What is sent, and to which server."""

    FIRST_PASS = "first pass"
    MADE = "made"
    RARE = "rare"
    ECHO = "echo"

    @property
    def route(self) -> str:
        """The path that it is sent to."""
        return ECHO if self is Mix.ECHO else PROPOSE

    @property
    def command(self) -> tuple[str, ...]:
        """What starts its server."""
        return FLOOR if self is Mix.ECHO else SERVICE

    @property
    def settings(self) -> dict[str, str]:
        """The settings of its server that are not the defaults."""
        return {"plans_kept": "0"} if self is Mix.MADE else {}

    @property
    def once(self) -> bool:
        """Whether no patient may come twice to one server."""
        return self in {Mix.FIRST_PASS, Mix.RARE}


@dataclass(slots=True)
class Cell:
    """One size over so many connections in one mix, its rounds together.

    `finished`: answers of 200 by the server's own count, those too that came after the load tool
    had left; the echo keeps no count, and there the tool's stands. `sent`: the most that one server
    was sent. `others_seconds`: processor time of other processes meanwhile.
    """

    size: int
    connections: int
    mix: Mix
    memory_before: float = 0
    memory_after: float = 0
    answers: Answers = field(default_factory=Answers)
    finished: int = 0
    sent: int = 0
    cpu_seconds: float = 0
    wall_seconds: float = 0
    others_seconds: float = 0

    @property
    def cpu_ms(self) -> float:
        """Processor time of one answer."""
        return self.cpu_seconds / self.finished * 1000

    @property
    def per_core(self) -> float:
        """Answers that one core gives in a second of its own."""
        return self.finished / self.cpu_seconds

    @property
    def others(self) -> float:
        """How many cores other processes had meanwhile."""
        return self.others_seconds / self.wall_seconds

    def run(self, server: Server, sent: Sent, seconds: float) -> None:
        """Add a round.

        Raises
        ------
        ValueError
            where the bodies came round again in a mix in which nobody may.
        """
        counts = self.mix is not Mix.ECHO
        before = server.served(PROPOSE) if counts else {}
        self.memory_before = server.memory_mib()
        watch = Watch(server)
        answers = drive(server, self.mix.route, sent, self.connections, seconds)
        if counts:
            server.settle()
        spent = watch.spent()
        self.answers.add(answers)
        self.cpu_seconds += spent.server
        self.wall_seconds += spent.wall
        self.others_seconds += spent.others * spent.wall
        after = server.served(PROPOSE) if counts else {200: answers.statuses[200]}
        finished = after.get(200, 0) - before.get(200, 0)
        self.finished += finished
        self.sent = max(self.sent, finished)
        self.memory_after = server.memory_mib()
        if self.mix.once and finished > sent.patients:
            raise ValueError(f"{finished} answers for {sent.patients} patients: some came twice")


def loads(
    sent: Sequence[Sent],
    mixes: Sequence[Mix],
    connections: Sequence[int],
    seconds: float,
    rounds: int,
) -> Iterator[Cell]:
    """Every size over every number of connections, the mixes in turn, each on a new server."""
    for one, at_once in product(sent, connections):
        fitting = [mix for mix in mixes if one.rare == (mix is Mix.RARE)]
        cells = [Cell(one.size, at_once, mix) for mix in fitting]
        for _ in range(rounds):
            for cell in cells:
                with running(cell.mix.command, **cell.mix.settings) as server:
                    cell.run(server, one, seconds)
        yield from cells
