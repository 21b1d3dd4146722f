"""The clock. Only the service's entry points read it; the core is told the day."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

Clock = Callable[[], datetime]
"""Gives the present moment, with its zone."""


def now() -> datetime:
    """The present moment, UTC."""
    return datetime.now(UTC)


def today(clock: Clock, zone: ZoneInfo) -> date:
    """The calendar day that it is in `zone`."""
    return clock().astimezone(zone).date()
