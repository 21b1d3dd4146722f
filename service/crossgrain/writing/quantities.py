"""Exact numbers and the units they go out in."""

from decimal import Decimal
from fractions import Fraction
from typing import Any

from crossgrain.names.printing import exact_decimal
from crossgrain.reading.codesystems import UCUM

_UNIT_WORDS = {"ug": "microgram", "mg": "milligram", "{tbl}": "tablet", "d": "day"}
_PLACES = tuple(Decimal(1).scaleb(-places) for places in range(4))
_DAILY_WORDS = {"ug/d": "microgram per day", "mg/d": "milligram per day"}


def rounded(value: Fraction | float, places: int) -> Decimal:
    """A computed number for reading, rounded half-even to so many places.

    >>> rounded(Fraction(100, 88), 3)
    Decimal('1.136')
    """
    if isinstance(value, Fraction):
        decimal = Decimal(value.numerator) / Decimal(value.denominator)
    else:
        decimal = Decimal(repr(value))
    return decimal.quantize(_PLACES[places])


def exact_quantity(value: Fraction, code: str) -> dict[str, Any]:
    """An exact amount as a quantity.

    Raises
    ------
    ValueError
        where no finite decimal equals it.
    """
    return quantity(exact_decimal(value), code)


def counted(number: int, code: str) -> dict[str, Any]:
    """So many as a quantity."""
    return quantity(Decimal(number), code)


def quantity(value: Decimal, code: str) -> dict[str, Any]:
    """A UCUM quantity with its unit in full words ("mcg" and "µg" are misread)."""
    unit = _UNIT_WORDS.get(code) or _DAILY_WORDS[code]
    return {"value": value, "unit": unit, "system": UCUM, "code": code}
