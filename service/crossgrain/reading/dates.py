"""FHIR dates of every precision, and days counted from the day that a record is read."""

import re
from datetime import date

import msgspec

from crossgrain.reading.elements import ReadCategory, Unreadable
from crossgrain.reading.remembered import Remembered

_PARTIAL = re.compile(r"(\d{4})(?:-(0[1-9]|1[0-2]))?", re.ASCII)
_TIME = re.compile(
    r"T(?:[01]\d|2[0-3]):[0-5]\d:(?:[0-5]\d|60)(?:\.\d{1,9})?(?:Z|[+-](?:0\d|1[0-4]):[0-5]\d)",
    re.ASCII,
)


class PartialDate(msgspec.Struct, frozen=True):
    """A year, a month or a day. A time of day is checked, and not kept.

    The day is the one written, in the writer's own offset: a dose taken on the 3rd at a
    clinic in one zone was taken on the 3rd.
    """

    first: date
    """The earliest day that it can mean."""
    last: date
    """The latest day that it can mean."""

    @property
    def exact(self) -> bool:
        """Whether it names one day."""
        return self.first == self.last

    def day(self, as_of: date) -> int | None:
        """Days from `as_of`, negative in the past; ``None`` when it names no single day."""
        return (self.first - as_of).days if self.first == self.last else None


def read_date(text: object, expression: str) -> PartialDate:
    """Read a FHIR ``date``, ``dateTime`` or ``instant``.

    Raises
    ------
    Unreadable
        for anything that is not one, such as the 30th of February.

    Examples
    --------
    >>> read_date("2026-02", "x").last
    datetime.date(2026, 2, 28)
    >>> read_date("2026-02-03T23:30:00-05:00", "x").first
    datetime.date(2026, 2, 3)
    """
    if not isinstance(text, str):
        raise Unreadable(ReadCategory.STRUCTURE, expression, "a date must be a string")
    found = _DATES[text]
    if found is None:
        raise Unreadable(ReadCategory.VALUE, expression, "this is not a date that FHIR allows")
    return found


def _read(text: str) -> PartialDate | None:
    day = _day_of(text)
    if day:
        return PartialDate(day, day)
    form = _PARTIAL.fullmatch(text)
    year = int(form[1]) if form else 0
    if not form or not year:
        return None
    month = form[2]
    return PartialDate(date(year, int(month or 1), 1), _end(year, month))


_DATES = Remembered(_read, len)


def _day_of(text: str) -> date | None:
    """The day of a full date, whose time of day and offset are checked where it has them."""
    if len(text) > 10 and not _TIME.fullmatch(text, 10):
        return None
    if len(text) < 10 or text[4] != "-" or text[7] != "-":
        return None
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def _end(year: int, month: str | None) -> date:
    if month is None or month == "12":
        return date(year, 12, 31)
    return date.fromordinal(date(year, int(month) + 1, 1).toordinal() - 1)


def full_years(born: date, on: date) -> int:
    """Completed years of age.

    >>> full_years(date(1960, 2, 29), date(2026, 2, 28))
    65
    """
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))
