"""A data file's values: read exactly, or refused with their place and a reason."""

from decimal import Decimal
from fractions import Fraction

import pytest

from crossgrain.names.errors import Category, DomainError
from crossgrain.names.numbers import (
    exact_number,
    listed,
    only_known_keys,
    positive_number,
    required,
    table,
    text,
)

NOT_A_NUMBER = 'this must be a number, written like 25, "16.25" or "38/60"'
AS_A_STRING = 'write this number as a string, e.g. "16.25", so that it stays exact'


def refusal(read, *arguments):
    with pytest.raises(DomainError) as refused:
        read(*arguments)
    assert refused.value.category is Category.INVALID
    return refused.value.field, refused.value.message


@pytest.mark.parametrize(
    ("written", "number"),
    [
        (25, "25"),
        ("16.25", "65/4"),
        ("38/60", "19/30"),
        ("115.2/40.3", "1152/403"),
        ("-5", "-5"),
        ("+5", "5"),
        (0, "0"),
    ],
)
def test_a_number_stays_exact(written, number):
    assert exact_number(written, "here") == Fraction(number)


@pytest.mark.parametrize(
    ("written", "says"),
    [
        (0.5, AS_A_STRING),
        (True, NOT_A_NUMBER),
        (None, NOT_A_NUMBER),
        (["25"], NOT_A_NUMBER),
        (Decimal(25), NOT_A_NUMBER),  # no TOML value is read so
        ("25 µg", NOT_A_NUMBER),
        ("1e2", NOT_A_NUMBER),
        (".5", NOT_A_NUMBER),
        ("٢٥", NOT_A_NUMBER),
        ("", NOT_A_NUMBER),
        ("38/0", "this divides by zero"),
        ("38/0.0", "this divides by zero"),
    ],
)
def test_what_is_no_exact_number_is_refused_with_a_reason(written, says):
    assert refusal(exact_number, written, "here") == ("here", says)


@pytest.mark.parametrize("written", ["0", "-1", 0])
def test_a_positive_number_lies_above_zero(written):
    assert refusal(positive_number, written, "here") == ("here", "this must be above zero")
    assert positive_number("0.001", "here") == Fraction(1, 1000)


def test_what_must_stand_there_is_named_by_its_key():
    assert required({"id": 3}, "id", "row[1]") == 3
    assert refusal(required, {}, "id", "row[1]") == ("row[1].id", "id is missing")


@pytest.mark.parametrize("written", ["", "  ", 3, None, ["a"]])
def test_a_text_is_not_blank(written):
    fault = refusal(text, {"id": written}, "id", "row[1]")
    assert fault == ("row[1].id", "this must be a text, not blank")
    assert text({"id": " a "}, "id", "row[1]") == " a "


def test_tables_and_lists_are_what_they_are_called():
    assert table({"a": 1}, "here") == {"a": 1}
    assert refusal(table, [], "here") == ("here", "this must be a table")
    assert listed([1], "here") == [1]
    for empty in ([], {}, "ab"):
        says = "this must be a list with at least one entry"
        assert refusal(listed, empty, "here") == ("here", says)


@pytest.mark.parametrize(("place", "spot"), [("row[1]", "row[1].colour"), ("", "colour")])
def test_a_key_that_nothing_reads_is_refused_by_naming_those_there_are(place, spot):
    only_known_keys({"id": 1}, ("unit", "id"), place)
    fault = refusal(only_known_keys, {"id": 1, "colour": 2}, ("unit", "id"), place)
    assert fault == (spot, "colour is not known here; known are id, unit")
