"""Words that a patient reads: dates, tablets, products."""

from fractions import Fraction

import pytest
from tests.unit.writing.plans import GRAIN_60, GRAIN_65, LT4, PREPARATIONS

from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.printing import exact_decimal
from crossgrain.words.doses import product, tablets, taken


@pytest.mark.parametrize(
    ("count", "words"),
    [
        ("1/4", "a quarter of a tablet"),
        ("1/2", "half a tablet"),
        ("3/4", "three quarters of a tablet"),
        ("1", "1 tablet"),
        ("3/2", "1 and a half tablets"),
        ("2", "2 tablets"),
        ("9/4", "2 and a quarter tablets"),
    ],
)
def test_tablets_are_counted_in_words_without_a_decimal_point(count, words):
    assert tablets(Fraction(count)) == words


@pytest.mark.parametrize("count", ["1/8", "1/3", "7/5"])
def test_a_part_that_no_tablet_is_cut_into_is_refused(count):
    with pytest.raises(ValueError, match="cannot be cut"):
        tablets(Fraction(count))


@pytest.mark.parametrize(
    ("preparation", "strength", "words"),
    [
        (LT4, "12.5", "levothyroxine sodium 12.5 microgram tablet"),
        (GRAIN_65, "16.25", "desiccated thyroid 16.25 mg tablet"),
        (
            PREPARATIONS["fixed-ratio-4-1"],
            "50",
            "levothyroxine and liothyronine 4:1 50/12.5 microgram tablet",
        ),
    ],
)
def test_a_product_is_its_generic_name_and_one_strength(preparation, strength, words):
    assert product(preparation, Fraction(strength)) == words


def test_the_mean_of_uneven_days_is_called_a_mean():
    uneven = DoseLine(LT4, (Fraction(100),) * 5 + (Fraction(50),) * 2)
    assert taken([uneven]) == "levothyroxine sodium about 85.7 micrograms a day on average"
    weekdays = DoseLine(LT4, (Fraction(100),) * 5 + (Fraction(0),) * 2)
    weekend = DoseLine(LT4, (Fraction(0),) * 5 + (Fraction(50),) * 2)
    assert taken([weekdays, weekend]) == taken([uneven])
    assert taken([DoseLine(GRAIN_60, (Fraction(60),))]) == "desiccated thyroid 60 mg a day"


def test_a_number_without_a_finite_decimal_is_no_order():
    with pytest.raises(ValueError, match="no exact decimal"):
        exact_decimal(Fraction(1, 3))


def test_no_digit_of_a_long_number_is_lost() -> None:
    written = "12.3456789012345678901234567890123456789"
    assert f"{exact_decimal(Fraction(written)):f}" == written
