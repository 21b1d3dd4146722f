"""What every operation works with, wired once at start, and the clocks that entry points read."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from crossgrain import __version__
from crossgrain.catalogue import Catalogue
from crossgrain.operations.options import Option, comparison_options, switch_options

Clock = Callable[[], datetime]
"""Gives the present moment, with its zone. It may be set, forwards or back."""

Ticks = Callable[[], float]
"""Gives seconds that only ever grow: for how long ago something was, never for when."""


def now() -> datetime:
    """The present moment, UTC."""
    return datetime.now(UTC)


ticks: Ticks = time.monotonic
"""The seconds since some moment of the machine's own."""


def today(clock: Clock, zone: ZoneInfo) -> date:
    """The calendar day that it is in `zone`."""
    return clock().astimezone(zone).date()


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
