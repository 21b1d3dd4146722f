"""The clocks. Only the service's entry points read them; the core is told the day."""

import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

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
