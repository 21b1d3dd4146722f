"""Exact fractions as decimals, to the last digit or not at all."""

from decimal import Decimal
from fractions import Fraction


def is_finite(value: Fraction) -> bool:
    """Whether a finite decimal equals it: no prime but 2 and 5 divides the denominator.

    >>> is_finite(Fraction(65, 4)), is_finite(Fraction(100, 88))
    (True, False)
    """
    return _places(value.denominator) is not None


def exact_decimal(value: Fraction) -> Decimal:
    """The fraction as a decimal, to the last digit.

    Raises
    ------
    ValueError
        where no finite decimal equals it: such a number is not a dose that can be ordered.

    Examples
    --------
    >>> exact_decimal(Fraction(65, 4))
    Decimal('16.25')
    """
    if value.denominator == 1:  # nearly always, so worth asking first
        return Decimal(value.numerator)
    places = _places(value.denominator)
    if places is None:
        raise ValueError(f"{value} has no exact decimal")
    # By whole numbers: a division of decimals keeps 28 digits and rounds the rest in silence.
    digits = value.numerator * 10**places // value.denominator
    return Decimal(f"{digits}E-{places}")


def _places(denominator: int) -> int | None:
    """How many decimal places it takes, where a finite number does."""
    twos = fives = 0
    while denominator % 2 == 0:
        denominator, twos = denominator // 2, twos + 1
    while denominator % 5 == 0:
        denominator, fives = denominator // 5, fives + 1
    return max(twos, fives) if denominator == 1 else None
