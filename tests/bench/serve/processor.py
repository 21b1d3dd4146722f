"""Who used the processor meanwhile: on a shared machine a rate is worth little without it."""

import os
import resource
import time
from dataclasses import dataclass
from pathlib import Path

from .server import Server

_TICKS = os.sysconf("SC_CLK_TCK")
_IDLE = (3, 4)
"""Places of idle and of waiting for disks in the line ``cpu`` of /proc/stat."""


@dataclass(frozen=True, slots=True)
class Spent:
    """Seconds on the clock, the server's processor seconds, and the cores that others had."""

    wall: float
    server: float
    others: float


class Watch:
    """Begun when made; says what was spent since."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._began = self._now()

    def spent(self) -> Spent:
        """What was spent since the beginning."""
        wall, server, ours, all_of_them = (
            now - then for now, then in zip(self._now(), self._began, strict=True)
        )
        return Spent(wall, server, max(0.0, (all_of_them - server - ours) / wall))

    def _now(self) -> tuple[float, float, float, float]:
        return time.monotonic(), self._server.cpu_seconds(), _ours(), _everyones()


def _ours() -> float:
    used = [resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def _everyones() -> float:
    """Processor seconds of the whole machine; those that its host took are others' too."""
    parts = [int(part) for part in Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]]
    return sum(part for place, part in enumerate(parts) if place not in _IDLE) / _TICKS
