"""Quantities of a dose: exact numbers, and units in which code and text agree."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

import msgspec

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.printing import as_written, unit_word
from crossgrain.reading.elements import Quantity, Ratio
from crossgrain.reading.errors import Asked, ReadCategory, Unreadable
from crossgrain.reading.units import Dimension, Unit, unit_of_code, unit_of_word


class Amount(msgspec.Struct, frozen=True):
    """So much of a dose, in its dimension's base unit (µg, mL, pieces or grains)."""

    dimension: Dimension
    value: Fraction


def checked_number(value: object, expression: str) -> int | Decimal:
    """A decoded JSON number as it came.

    Raises
    ------
    Unreadable
        ``structure`` for anything but a JSON number.
    """
    if type(value) is int or type(value) is Decimal:
        return value
    raise Unreadable(ReadCategory.STRUCTURE, expression, "expected a number")


def exact(value: object, expression: str) -> Fraction:
    """A decoded JSON number as an exact fraction; anything else is refused."""
    return _fraction(checked_number(value, expression))


@lru_cache(maxsize=4096)
def _fraction(value: int | Decimal) -> Fraction:
    """Numbers come back: tablets, strengths, the ends of reference ranges."""
    return Fraction(value)


def scaled(value: Fraction, factor: Fraction) -> Fraction:
    """The product; a factor of one, which most are, costs no arithmetic."""
    return value if factor == 1 else value * factor


def total(values: Sequence[Fraction]) -> Fraction:
    """The sum of one or more amounts; nearly always there is one."""
    return values[0] if len(values) == 1 else sum(values, Fraction(0))


def mean(cycle: Sequence[Fraction]) -> Fraction:
    """The mean over a cycle of days, most of which are one day long."""
    return cycle[0] if len(cycle) == 1 else total(cycle) / len(cycle)


def positive_integer(value: object, expression: str) -> int:
    """A ``positiveInt``; zero, a fraction or a text is refused."""
    if type(value) is int and value > 0:
        return value
    raise Unreadable(ReadCategory.VALUE, expression, "expected a whole number above zero")


def amount_of(quantity: Quantity, expression: str) -> Amount:
    """What a dose quantity says.

    Raises
    ------
    Asked
        where it has no value, no unit, an unknown one, a comparator, or a code and a text
        that differ.
    """
    if quantity.value is None:
        raise Asked(expression, "The dose has no value. How much is taken at a time?")
    value = exact(quantity.value, f"{expression}.value")
    if value.numerator < 0:
        raise Unreadable(ReadCategory.VALUE, f"{expression}.value", "a dose cannot be negative")
    if quantity.comparator:
        raise Asked(
            f"{expression}.comparator",
            "The dose is a bound, not an amount. How much is taken at a time?",
        )
    unit = _unit_of(quantity, expression, value)
    return Amount(unit.dimension, scaled(value, unit.factor))


def _unit_of(quantity: Quantity, expression: str, value: Fraction) -> Unit:
    coded = unit_of_code(quantity.system, quantity.code) if quantity.code else None
    written = unit_of_word(quantity.unit) if quantity.unit else None
    if quantity.code and quantity.unit and coded and written and coded != written:
        raise Asked(
            expression,
            f"The dose is {as_written(value)} in a unit whose code and text differ. Which"
            f" one is meant?",
        )
    if quantity.code:
        if coded is None:
            raise Asked(
                f"{expression}.code",
                f"The dose is {as_written(value)} in a unit that is not known. What is it"
                f" in micrograms, mg or"
                " tablets?",
            )
        return coded
    if written is None:
        where = f"{expression}.unit" if quantity.unit else expression
        what = "in a unit that is not known" if quantity.unit else "without a unit"
        raise Asked(
            where, f"The dose is {as_written(value)} {what}. Is it micrograms, mg or tablets?"
        )
    return written


def concentration(ratio: Ratio, expression: str) -> tuple[Amount, Amount]:
    """Both sides of a strength: so much of the substance in so much of the product."""
    if ratio.numerator is None or ratio.denominator is None:
        raise Asked(expression, "The strength lacks one of its sides. What is it?")
    above = amount_of(ratio.numerator, f"{expression}.numerator")
    below = amount_of(ratio.denominator, f"{expression}.denominator")
    if not below.value:
        raise Unreadable(
            ReadCategory.VALUE, f"{expression}.denominator", "a strength per nothing cannot be read"
        )
    return above, below


def in_unit(value: Fraction, preparation: Preparation) -> str:
    """An amount of a product line, in the unit that it is labelled in."""
    return f"{as_written(value)} {unit_word(preparation.unit, value)}"
