"""Memory over very many requests."""

import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import cycle, takewhile

from .lines import slope
from .load import drive
from .sent import PROPOSE, Sent
from .server import Server

_SAMPLES = 50
_LONGEST = 20.0
"""Seconds between two looks."""
_FIRST_GUESS = 100.0
"""Proposals a second, before any was measured."""


@dataclass(frozen=True, slots=True)
class Soak:
    """Memory while so many requests were answered, each of another patient."""

    samples: list[tuple[int, float]]
    """Requests answered so far, resident MiB then."""
    peak_mib: float
    refused: dict[int, int]
    seconds: float

    @property
    def growth_mib(self) -> float:
        """From a tenth of the way, when memories of words and of pages are filled, to the end."""
        return self.samples[-1][1] - self._settled()[0][1]

    @property
    def kib_a_thousand(self) -> float:
        """Slope from a tenth of the way on, by least squares: KiB per thousand requests."""
        return slope(self._settled())[0] * 1024 * 1000

    def _settled(self) -> list[tuple[int, float]]:
        return [sample for sample in self.samples if sample[0] >= self.samples[-1][0] / 10]


def soak(server: Server, mix: Sequence[Sent], requests: int, connections: int = 16) -> Soak:
    """Ask for so many proposals, of each in the mix in turn, and look at memory in between.

    Interrupted, it tells what it has seen so far.
    """
    began, samples, refused = time.monotonic(), [(0, server.memory_mib())], Counter[int]()
    rates = dict.fromkeys((sent.heads for sent in mix), _FIRST_GUESS)
    with suppress(KeyboardInterrupt):
        for sent in takewhile(lambda _: samples[-1][0] < requests, cycle(mix)):
            seconds = min(_LONGEST, requests / _SAMPLES / rates[sent.heads])
            answers = drive(server, PROPOSE, sent, connections, seconds)
            server.settle()
            rates[sent.heads] = max(1.0, answers.good_a_second)
            refused += Counter(answers.refused)
            samples.append((samples[-1][0] + answers.statuses[200], server.memory_mib()))
    return Soak(samples, server.memory_mib("VmHWM"), dict(refused), time.monotonic() - began)
