"""FHIR dates of every precision, and what is none."""

from datetime import date

import pytest

from crossgrain.reading.elements import Unreadable, read_date


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2024", date(2024, 1, 1), date(2024, 12, 31)),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29)),
        ("2023-02", date(2023, 2, 1), date(2023, 2, 28)),
        ("2024-12", date(2024, 12, 1), date(2024, 12, 31)),
        ("2024-02-29", date(2024, 2, 29), date(2024, 2, 29)),
        ("2024-02-29T23:59:59Z", date(2024, 2, 29), date(2024, 2, 29)),
        ("2024-02-29T23:59:60Z", date(2024, 2, 29), date(2024, 2, 29)),
        ("2024-02-29T00:00:00.123456789+14:00", date(2024, 2, 29), date(2024, 2, 29)),
        ("0001-01-01", date(1, 1, 1), date(1, 1, 1)),
        ("9999", date(9999, 1, 1), date(9999, 12, 31)),
    ],
)
def test_a_date_means_the_days_of_its_precision(text: str, first: date, last: date) -> None:
    found = read_date(text, "x")
    assert (found.first, found.last) == (first, last)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "24",
        "0000",
        "2024-13",
        "2024-00",
        "2024-02-30",
        "2023-02-29",
        "2024-2-3",
        "20240203",
        "2024-W05-1",
        "2024-02-03T",
        "2024-02-03T10",
        "2024-02-03T10:30Z",
        "2024-02-03T10:30:00",
        "2024-02-03T24:00:00Z",
        "2024-02-03T10:30:00+15:00",
        "2024-02-03 10:30:00Z",
        "2024-02-03Z",
        " 2024",
        "2024-02-03\n",
        "２０２４-02-03",
        None,
        2024,
    ],
)
def test_what_is_no_fhir_date_is_refused(text: object) -> None:
    with pytest.raises(Unreadable) as refusal:
        read_date(text, "Bundle.x")
    assert refusal.value.expression == "Bundle.x"
