"""What every operation works with, wired once at start."""

from dataclasses import dataclass

from crossgrain import __version__
from crossgrain.catalogue import Catalogue
from crossgrain.operations.clock import Clock
from crossgrain.operations.options import Option, comparison_options, switch_options


@dataclass(frozen=True, slots=True)
class Desk:
    """The catalogue, the clock, the options known and the version that signs answers."""

    catalogue: Catalogue
    clock: Clock
    switch_options: tuple[Option, ...]
    comparison_options: tuple[Option, ...]
    service_version: str


def desk_over(catalogue: Catalogue, clock: Clock) -> Desk:
    """A desk whose options are those that the catalogue makes possible."""
    return Desk(
        catalogue=catalogue,
        clock=clock,
        switch_options=switch_options(catalogue),
        comparison_options=comparison_options(),
        service_version=__version__,
    )
