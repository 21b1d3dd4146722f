"""Exact numbers and the units they go out in."""

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

UCUM = "http://unitsofmeasure.org"
_UNIT_WORDS = {"ug": "microgram", "mg": "milligram", "{tbl}": "tablet", "d": "day"}
_PLACES = tuple(Decimal(1).scaleb(-places) for places in range(4))
_DAILY_WORDS = {"ug/d": "microgram per day", "mg/d": "milligram per day"}


def is_finite(value: Fraction) -> bool:
    """Whether a finite decimal equals it: no prime but 2 and 5 divides the denominator.

    >>> is_finite(Fraction(65, 4)), is_finite(Fraction(100, 88))
    (True, False)
    """
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    return rest == 1


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
    if value.denominator == 1:  # nearly always, so worth asking first
        return Decimal(value.numerator)
    if not is_finite(value):
        raise ValueError(f"{value} has no exact decimal")
    return Decimal(value.numerator) / Decimal(value.denominator)


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
    """An exact amount as a quantity, shared by all who ask for the same.

    Raises
    ------
    ValueError
        where no finite decimal equals it.
    """
    return counted(value.numerator, code, value.denominator)


@lru_cache(maxsize=4096)
def counted(number: int, code: str, parts: int = 1) -> dict[str, Any]:
    """So many as a quantity, or that divided in so many parts."""
    return quantity(exact(Fraction(number, parts)), code)


def quantity(value: Decimal, code: str) -> dict[str, Any]:
    """A UCUM quantity with its unit in full words ("mcg" and "µg" are misread)."""
    unit = _UNIT_WORDS.get(code) or _DAILY_WORDS[code]
    return {"value": value, "unit": unit, "system": UCUM, "code": code}
