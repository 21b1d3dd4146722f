"""From the command to the first request that is served."""

import time

from .server import SERVICE, running


def starts(times: int) -> list[float]:
    """Seconds from the command to the first 200 of ``/readyz``, so often.

    One start goes before: it writes the bytecode, which an image holds already.
    """
    return [_start() for _ in range(times + 1)][1:]


def _start() -> float:
    began = time.perf_counter()
    with running(SERVICE):
        return time.perf_counter() - began
