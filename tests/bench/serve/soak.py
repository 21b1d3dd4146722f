"""Memory over very many requests."""

import time
from collections import Counter
from dataclasses import dataclass

from .lines import slope
from .load import drive
from .sent import PROPOSE, Sent
from .server import Server


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


def soak(server: Server, sent: Sent, requests: int, connections: int = 16) -> Soak:
    """Ask for so many proposals, and look at memory about fifty times on the way."""
    began, samples, refused = time.monotonic(), [(0, server.memory_mib())], Counter[int]()
    done, rate = 0, 100.0
    while done < requests:
        answers = drive(server, PROPOSE, sent, connections, min(10, requests / 50 / rate))
        server.settle()
        done += answers.statuses[200]
        rate = max(1.0, answers.good_a_second)
        refused += Counter(answers.refused)
        samples.append((done, server.memory_mib()))
    return Soak(samples, server.memory_mib("VmHWM"), dict(refused), time.monotonic() - began)
