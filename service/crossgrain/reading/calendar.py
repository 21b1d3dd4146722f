"""The day of reading, and the day of what is dated: where the record is read.

A day is the writer's own, as it is written, unless it is known where the record is read: then an
instant is on the day that it was there. What a record says has happened is never put off to a day
after that of reading by an offset alone: a result would be lost for an evening, and with it what
it forbids.
"""

from datetime import date, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import msgspec

from crossgrain.reading.elements import PartialDate, moment_of, read_date

_NO_PLACE = frozenset(
    "UTC UCT Universal Zulu Etc/UTC Etc/UCT Etc/Universal Etc/Zulu".split()  # noqa: SIM905
)
"""The names of UTC, by which nobody says where they are."""
_FURTHEST_BEHIND = timezone(timedelta(hours=-11))
"""No place where people live is further behind UTC."""
_A_DAY_AND_NO_TIME = ("T00:00:00", "T23:59:59")
"""How systems that keep only instants write the first and the last moment of a day that was given
without a time; the offset is then theirs and not the writer's."""


class Calendar(msgspec.Struct, frozen=True):
    """The day on which a record is read, and the zone of the place where that is."""

    as_of: date
    zone: ZoneInfo | None = None

    @property
    def _place(self) -> ZoneInfo | None:
        return self.zone if self.zone and self.zone.key not in _NO_PLACE else None

    def date_in(self, text: object, expression: str) -> PartialDate:
        """Read a date; an instant on the day that it is where the record is read.

        Raises
        ------
        Unreadable
            for anything that is not a date.

        Examples
        --------
        >>> york = Calendar(date(2025, 3, 3), ZoneInfo("America/New_York"))
        >>> york.date_in("2025-03-04T00:30:00Z", "x").first
        datetime.date(2025, 3, 3)
        """
        written = read_date(text, expression)
        if self._place is None or not isinstance(text, str):
            return written
        moment = moment_of(text)
        if moment is None or text[10:19] in _A_DAY_AND_NO_TIME:
            return written
        there = _day_in(self._place, moment)
        return PartialDate(there, there)

    def past_date_in(self, text: object, expression: str) -> PartialDate:
        """Read the date of what has happened: of a result, of words that were written.

        The same, but on the day of reading where it may have been so there, and is ahead only as
        written.

        Raises
        ------
        Unreadable
            for anything that is not a date.

        Examples
        --------
        >>> Calendar(date(2025, 3, 3)).past_date_in("2025-03-04T00:30:00Z", "x").first
        datetime.date(2025, 3, 3)
        """
        found = self.date_in(text, expression)
        if found.first <= self.as_of or not isinstance(text, str):
            return found
        moment = moment_of(text)
        if moment is None or _day_in(self._place or _FURTHEST_BEHIND, moment) > self.as_of:
            return found
        return PartialDate(self.as_of, self.as_of)

    def day_written(self, text: str) -> str:
        """The day of a date as FHIR writes it, where the record is read; as far as it names one."""
        if self._place is None or moment_of(text) is None:
            return text[:10]
        return self.date_in(text, "").first.isoformat()


def _day_in(place: tzinfo, moment: datetime) -> date:
    try:
        return moment.astimezone(place).date()
    except OverflowError:  # at either end of what a calendar holds
        return moment.date()
