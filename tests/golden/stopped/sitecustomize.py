"""Stops the clock of a Python that starts with this folder on its path: 3 March 2025, noon UTC.

Hooks and calls without ``as-of`` ask which day it is. The service is a process of its own here and
takes no clock from outside, so its standard library is told before anything else is imported.
"""

import datetime
import time

_MOMENT = datetime.datetime(2025, 3, 3, 12, tzinfo=datetime.UTC)
_RUNNING = datetime.datetime


class _AsBefore(type):
    """Whatever the running clock's class made is of the stopped one's too."""

    def __instancecheck__(cls, instance: object) -> bool:
        return isinstance(instance, _RUNNING)

    def __subclasscheck__(cls, subclass: type) -> bool:
        return issubclass(subclass, _RUNNING)


class _Stopped(_RUNNING, metaclass=_AsBefore):
    def __new__(cls, *given: object, **named: object) -> datetime.datetime:
        return _RUNNING(*given, **named)  # type: ignore[arg-type]

    @classmethod
    def now(cls, tz: datetime.tzinfo | None = None) -> datetime.datetime:  # type: ignore[override]
        return _MOMENT.astimezone(tz) if tz else _MOMENT.replace(tzinfo=None)

    @classmethod
    def utcnow(cls) -> datetime.datetime:  # type: ignore[override]
        return _MOMENT.replace(tzinfo=None)


datetime.datetime = _Stopped  # type: ignore[misc]
time.time = _MOMENT.timestamp
