"""Proposals and echoes of the same bodies, in turn, over several numbers of connections."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import product

from .echoing import ECHO
from .load import Answers, drive
from .processor import Watch
from .sent import PROPOSE, Sent
from .server import Server

ROUTES = {"proposal": PROPOSE, "echo": ECHO}


@dataclass(slots=True)
class Cell:
    """One size over so many connections on one route, its rounds together.

    `plans_kept`: whether the service may have made the plan for an earlier patient. `finished`:
    answers of 200 by the server's own count, those too that came after the load tool had left.
    `others_seconds`: processor time of other processes meanwhile.
    """

    size: int
    connections: int
    route: str
    plans_kept: bool
    memory_before: float
    memory_after: float = 0
    answers: Answers = field(default_factory=Answers)
    finished: int = 0
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
        """Add a round."""
        path = ROUTES[self.route]
        before = server.served(path)
        watch = Watch(server)
        self.answers.add(drive(server, path, sent, self.connections, seconds))
        server.settle()
        spent = watch.spent()
        self.cpu_seconds += spent.server
        self.wall_seconds += spent.wall
        self.others_seconds += spent.others * spent.wall
        self.finished += server.served(path).get(200, 0) - before.get(200, 0)
        self.memory_after = server.memory_mib()


def loads(
    server: Server,
    sent: list[Sent],
    connections: list[int],
    seconds: float,
    rounds: int,
    *,
    plans_kept: bool = True,
) -> Iterator[Cell]:
    """Every size over every number of connections, proposal and echo in turn."""
    for one, at_once in product(sent, connections):
        memory = server.memory_mib()
        cells = [Cell(one.size, at_once, route, plans_kept, memory) for route in ROUTES]
        for _ in range(rounds):
            for cell in cells:
                cell.run(server, one, seconds)
        yield from cells
