"""How many of a first pass' plans were made before for another patient on the same doses.

Worked out beside the measured run: the same bodies, in the same order, through the operation in
this process, with a cache of the service's size.
"""

from dataclasses import dataclass
from itertools import cycle, islice

from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import desk_over, now
from crossgrain.operations.propose_switch import settle
from crossgrain.reading.json import parse

from .sent import Sent


@dataclass(frozen=True, slots=True)
class Hits:
    """Plans asked for, and how many of them were at hand."""

    asked: int
    at_hand: int

    @property
    def share(self) -> float:
        """Of those asked for."""
        return self.at_hand / self.asked if self.asked else 0.0


def hits_of(sent: Sent, bodies: int) -> Hits:
    """Of the first so many bodies, as a server that has just begun would meet them."""
    catalogue = load_catalogue()
    desk = desk_over(catalogue, now)
    tails = cycle(sent.tails.read_bytes().splitlines())
    for head in islice(sent.heads.read_bytes().splitlines(), bodies):
        settle(desk, parse(head + next(tails)), (), FhirVersion.R4)
    found = [plans.found for plans in catalogue.plans.values()]
    hits, misses = (sum(each) for each in zip(*found, strict=True))
    return Hits(hits + misses, hits)
