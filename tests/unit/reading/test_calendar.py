"""On which day an instant of a record lies, where the record is read."""

from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.elements import Unreadable, read_date
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Record
from crossgrain.safety.facts import Analyte

from .records import (
    AS_OF,
    CODES,
    LT4_100,
    PREPARATIONS,
    Json,
    bundle,
    dosage,
    encoded,
    observation,
    repeat,
    request,
    statement,
    ucum,
)

DAY = date(2025, 3, 3)
YORK, SYDNEY, UTC = map(ZoneInfo, ("America/New_York", "Australia/Sydney", "UTC"))


@pytest.mark.parametrize(
    ("text", "zone", "day"),
    [
        ("2025-03-04T00:30:00Z", YORK, 3),
        ("2025-03-04T00:30:00.123456789Z", YORK, 3),
        ("2025-03-04T00:59:60Z", YORK, 3),
        ("2025-03-03T19:30:00-05:00", YORK, 3),  # a local offset stays as it is
        ("2025-03-03T23:30:00-08:00", YORK, 4),
        ("2025-03-02T14:00:00Z", SYDNEY, 3),
        ("2025-03-03T08:00:00+11:00", SYDNEY, 3),
        ("2025-03-04", YORK, 4),
        ("2025-03-04T00:00:00Z", YORK, 4),  # a day without a time, as some systems keep it
        ("2025-03-03T23:59:59Z", SYDNEY, 3),
        ("2025-03-04T00:30:00Z", UTC, 4),
        ("2025-03-04T00:30:00Z", None, 4),
        ("2025-03-03T23:30:00-08:00", UTC, 3),
        ("2025-03-03T23:30:00-08:00", None, 3),
    ],
)
def test_an_instant_is_on_the_day_that_it_was_where_the_record_is_read(
    text: str, zone: ZoneInfo | None, day: int
) -> None:
    found = Calendar(DAY, zone).date_in(text, "x")
    assert (found.first, found.last) == (date(2025, 3, day), date(2025, 3, day))
    assert Calendar(DAY, zone).day_written(text) == f"2025-03-{day:02}"


@pytest.mark.parametrize("zone", [YORK, SYDNEY, None])
@pytest.mark.parametrize("text", ["0001-01-01T00:00:01+14:00", "9999-12-31T23:00:00-12:00"])
def test_the_ends_of_the_calendar_are_read(text: str, zone: ZoneInfo | None) -> None:
    assert Calendar(DAY, zone).past_date_in(text, "x").exact


def test_what_is_no_date_is_refused_in_any_zone() -> None:
    with pytest.raises(Unreadable):
        Calendar(DAY, YORK).past_date_in("2025-02-30T10:00:00Z", "x")
    assert Calendar(DAY, YORK).day_written("2025-02-30T10:00:00Z") == "2025-02-30"


def test_a_year_is_a_year_in_any_zone() -> None:
    assert Calendar(DAY, YORK).past_date_in("2025", "x").last == date(2025, 12, 31)


@pytest.mark.parametrize(
    ("text", "zone", "day"),
    [
        ("2025-03-04T00:30:00Z", None, 3),  # somewhere it is still the 3rd
        ("2025-03-04T00:30:00Z", UTC, 3),
        ("2025-03-04T01:00:00+10:00", None, 3),
        ("2025-03-04T00:00:00Z", YORK, 3),
        ("2025-03-04T11:30:00Z", None, 4),  # nowhere
        ("2025-03-04T00:30:00-05:00", YORK, 4),
        ("2025-03-04", None, 4),
        ("2025-03-05T00:30:00Z", YORK, 4),
    ],
)
def test_what_has_happened_is_not_put_off_by_an_offset(
    text: str, zone: ZoneInfo | None, day: int
) -> None:
    assert Calendar(DAY, zone).past_date_in(text, "x").first == date(2025, 3, day)


@given(
    st.dates(date(2025, 2, 1), date(2025, 4, 1)),
    st.times(),
    st.sampled_from(["Z", "+00:00", "-05:00", "+05:30", "+13:00"]),
    st.sampled_from([None, UTC]),
)
def test_without_a_place_every_day_stays_as_written_but_what_is_not_ahead_everywhere(
    day: date, at: time, offset: str, zone: ZoneInfo | None
) -> None:
    text = f"{day.isoformat()}T{at:%H:%M:%S}{offset}"
    calendar, written = Calendar(DAY, zone), read_date(text, "x")
    assert calendar.date_in(text, "x") == written
    past = calendar.past_date_in(text, "x")
    if written.first <= DAY or written.first > DAY + timedelta(1):
        assert past == written
    assert past.first in {written.first, DAY}


EVENING = "2026-03-21T00:30:00Z"
"""The evening of the day of reading in New York."""
ONE_TABLET = dosage(ucum(1, "{tbl}"))


def read_in(zone: ZoneInfo | None, *resources: Json) -> Record:
    return read_record(
        parse(encoded(bundle(*resources))),
        version=FhirVersion.R4,
        as_of=AS_OF,
        codes=CODES,
        preparations=PREPARATIONS,
        zone=zone,
    )


@pytest.mark.parametrize("zone", [YORK, UTC, None])
def test_a_result_of_this_evening_is_heard(zone: ZoneInfo | None) -> None:
    tsh = observation("3016-3", ucum("0.01", "m[IU]/L"), effectiveDateTime=EVENING)
    (found,) = read_in(zone, tsh).facts.measurements or ()
    assert (found.analyte, found.day) == (Analyte.TSH, 0)


@pytest.mark.parametrize("zone", [YORK, UTC, None])
def test_what_was_ordered_or_stated_this_evening_is_taken(zone: ZoneInfo | None) -> None:
    ordered = request(LT4_100, ONE_TABLET, authoredOn=EVENING)
    stated = statement(LT4_100, ONE_TABLET, effectivePeriod={"start": EVENING})
    for medicine in (ordered, stated):
        (taken,) = read_in(zone, medicine).current
        assert taken.reference == f"{medicine['resourceType']}/{medicine['id']}"


def test_steps_that_meet_at_midnight_of_the_place_never_overlap() -> None:
    """Midnight in New York is four or five o'clock in the morning, by UTC."""
    first, then = (
        dosage(ucum(amount, "{tbl}"), repeat(frequency=1, period=1, periodUnit="d", boundsPeriod=b))
        for amount, b in (
            (1, {"start": "2026-03-01T05:00:00Z", "end": "2026-03-21T03:59:59Z"}),
            (2, {"start": "2026-03-21T04:00:00Z"}),
        )
    )
    record = read_in(YORK, request(LT4_100, first, then))
    assert not record.questions
    (taken,) = record.current
    assert [[str(amount) for amount in line.cycle] for line in taken.lines] == [["100"]]
