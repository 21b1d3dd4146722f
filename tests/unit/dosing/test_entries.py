"""A data file's values: read exactly, or refused with their place and a reason."""

from decimal import Decimal
from fractions import Fraction

import pytest

from crossgrain.names.errors import Category, DomainError
from crossgrain.names.numbers import exact_number, positive_number, whole_number

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


@pytest.mark.parametrize("written", ["0", "1.5", "-1", 0.5])
def test_a_whole_number_has_no_parts_and_lies_above_zero(written):
    assert refusal(whole_number, written, "here")[0] == "here"
    assert whole_number("14", "here") == whole_number(Fraction(14), "here") == 14
