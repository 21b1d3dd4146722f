"""From the command to the first request that is served."""

import time
from dataclasses import dataclass

from .server import SERVICE, running


@dataclass(frozen=True, slots=True)
class Start:
    """Seconds from the command to the first 200 of ``/readyz``, and of processor until then."""

    wall: float
    processor: float


def starts(times: int) -> list[Start]:
    """So many starts.

    One goes before: it writes the bytecode, which an image holds already.
    """
    return [_start() for _ in range(times + 1)][1:]


def _start() -> Start:
    began = time.perf_counter()
    with running(SERVICE) as server:
        return Start(time.perf_counter() - began, server.cpu_seconds())
