"""Exact numbers and the units they go out in."""

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

UCUM = "http://unitsofmeasure.org"
_UNIT_WORDS = {"ug": "microgram", "mg": "milligram", "{tbl}": "tablet", "d": "day"}
_DAILY_WORDS = {"ug/d": "microgram per day", "mg/d": "milligram per day"}


@lru_cache(maxsize=2048)
def exact(value: Fraction) -> Decimal:
    """The fraction as a decimal, to the last digit.

    Raises
    ------
    ValueError
        where no finite decimal equals it: such a number is not a dose that can be ordered.

    Examples
    --------
    >>> exact(Fraction(65, 4))
    Decimal('16.25')
    """
    decimal = Decimal(value.numerator) / Decimal(value.denominator)
    if Fraction(decimal) != value:
        raise ValueError(f"{value} has no exact decimal")
    return decimal


def rounded(value: Fraction | float, places: int) -> Decimal:
    """A computed number for reading, rounded half-even to so many places.

    >>> rounded(Fraction(100, 88), 3)
    Decimal('1.136')
    """
    if isinstance(value, Fraction):
        decimal = Decimal(value.numerator) / Decimal(value.denominator)
    else:
        decimal = Decimal(repr(value))
    return decimal.quantize(Decimal(1).scaleb(-places))


def quantity(value: Decimal, code: str) -> dict[str, Any]:
    """A UCUM quantity with its unit in full words ("mcg" and "µg" are misread)."""
    unit = _UNIT_WORDS.get(code) or _DAILY_WORDS[code]
    return {"value": value, "unit": unit, "system": UCUM, "code": code}
