"""How a number, and a quantity with its unit, is printed: the same everywhere.

===========================  =======================================================
kind                         printed
===========================  =======================================================
an amount of hormone or of   exact where it takes no more than three decimals, as every
tablets: `amount`            dose that can be ordered does; else "about" and one decimal
grains: `grains`             the same; else "about" and two decimals
what a record says, in a     every digit; a fraction where no decimal equals it
question: `as_written`
a ratio, a parameter of the  to three decimals, no zeros at the end
model: `decimal`
coverage, exposure, a part   whole percent
of the old dose: `percent`
the same where two plans are to a tenth of a percent, no zeros at the end
compared: `fine_percent`
a pool that the model gives  one decimal
in µg: `modelled`
===========================  =======================================================

A unit is a word wherever a person reads prose or a table: microgram, never "mcg" or "µg", which
are misread as mg (Institute for Safe Medication Practices, list of error-prone abbreviations). Only
inside the drawn chart and in the terminal's tables, where there is no room, it is a sign.
"""

from decimal import Decimal
from fractions import Fraction

_WEEK = 7
SPELLED = {
    1: "a",
    2: "two",
    3: "three",
    4: "four",
    5: "five",
    6: "six",
    7: "seven",
    8: "eight",
    9: "nine",
    10: "ten",
    11: "eleven",
    12: "twelve",
}
"""Small numbers in a sentence; of one week it is a week."""


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


SIGNS = {"ug": "µg", "mg": "mg"}
"""Units where there is no room for a word."""
_WORDS = {"ug": "microgram", "mg": "mg"}
_EXACT = 3
"""Decimals that a person still reads without rounding in the head."""


def amount(value: Fraction) -> str:
    """An amount in its unit.

    >>> amount(Fraction(65, 4)), amount(Fraction(25, 8)), amount(Fraction(600, 7))
    ('16.25', '3.125', 'about 85.7')
    """
    return _amount(value, 1)


def grains(value: Fraction) -> str:
    """So many grains.

    >>> grains(Fraction(7, 4)), grains(Fraction(100, 88))
    ('1.75', 'about 1.14')
    """
    return _amount(value, 2)


def _amount(value: Fraction, places: int) -> str:
    if value.denominator == 1:  # nearly always, so worth asking first
        return str(value.numerator)
    needed = _places(value.denominator)
    if needed is not None and needed <= _EXACT:
        return _trimmed(exact_decimal(value))
    return f"about {_rounded(value, places)}"


def as_written(value: Fraction) -> str:
    """What a record says, to the last digit.

    >>> as_written(Fraction(25, 2)), as_written(Fraction(1, 3))
    ('12.5', '1/3')
    """
    return f"{exact_decimal(value):f}" if is_finite(value) else f"{value}"


def decimal(value: Fraction | float) -> str:
    """A ratio or a parameter.

    >>> decimal(Fraction(50, 44)), decimal(0.7541), decimal(-0.0001)
    ('1.136', '0.754', '0')
    """
    return _rounded(value, 3)


def percent(ratio: Fraction | float) -> str:
    """A part of the old, in whole percent.

    >>> percent(0.754), percent(Fraction(5, 4))
    ('75 %', '125 %')
    """
    return f"{whole_percent(ratio)} %"


def whole_percent(ratio: Fraction | float) -> str:
    """The same without its sign."""
    return _rounded(ratio, 0, times=100)


def fine_percent(ratio: Fraction | float) -> str:
    """A part of the old where the difference of two plans is what matters.

    >>> fine_percent(0.7462), fine_percent(0.72)
    ('74.6 %', '72 %')
    """
    return f"{_rounded(ratio, 1, times=100)} %"


def modelled(ug: float) -> str:
    """A pool in the model's own µg.

    >>> modelled(70.8649)
    '70.9 micrograms'
    """
    return f"{_rounded(ug, 1)} micrograms"


def quantity(value: Fraction, unit: str) -> str:
    """An amount with its unit in words, `unit` as the preparations name it.

    >>> quantity(Fraction(25, 2), "ug"), quantity(Fraction(1), "ug"), quantity(Fraction(60), "mg")
    ('12.5 micrograms', '1 microgram', '60 mg')
    """
    return f"{amount(value)} {unit_word(unit, value)}"


def unit_word(unit: str, value: Fraction) -> str:
    """The unit's word, in the plural where it is not one."""
    return f"{_WORDS[unit]}{'s' if unit == 'ug' and value != 1 else ''}"


def micrograms(value: Fraction) -> str:
    """An amount of hormone.

    >>> micrograms(Fraction(600, 7)), micrograms(Fraction(150))
    ('about 85.7 micrograms', '150 micrograms')
    """
    return quantity(value, "ug")


def in_grains(value: Fraction) -> str:
    """So many grains, with their word.

    >>> in_grains(Fraction(1)), in_grains(Fraction(3, 2))
    ('1 grain', '1.5 grains')
    """
    return f"{grains(value)} grain{'' if value == 1 else 's'}"


def span(days: int) -> str:
    """So many days, in weeks where they are whole ones.

    >>> span(42), span(45), span(7), span(1)
    ('6 weeks', '45 days', '1 week', '1 day')
    """
    many, word = (days, "day") if days % _WEEK else (days // _WEEK, "week")
    return f"{many} {word}{'' if many == 1 else 's'}"


def spelled_span(days: int) -> str:
    """The same with small numbers in words, as they stand in a sentence.

    >>> spelled_span(42), spelled_span(7), spelled_span(3), spelled_span(45)
    ('six weeks', 'a week', 'three days', '45 days')
    """
    many, _, word = span(days).partition(" ")
    return f"{SPELLED.get(int(many), many)} {word}"


def short(value: Fraction, unit: str) -> str:
    """The same as `quantity` where there is no room for the word.

    >>> short(Fraction(25, 2), "ug")
    '12.5 µg'
    """
    return f"{amount(value)} {SIGNS[unit]}"


def _rounded(value: Fraction | float, places: int, times: int = 1) -> str:
    """So many times a number, half to even and without zeros at the end.

    By whole numbers, whatever its length: a record may hold one of a hundred digits. A float is
    taken as it is written in full.
    """
    exact = Decimal(repr(value)) if isinstance(value, float) else value
    numerator, denominator = exact.as_integer_ratio()
    whole, rest = divmod(numerator * times * 10**places, denominator)
    if 2 * rest > denominator or (2 * rest == denominator and whole % 2):
        whole += 1
    return _trimmed(Decimal(f"{whole}E-{places}")) if places else str(whole)


def _trimmed(value: Decimal) -> str:
    plain = f"{value:f}"
    plain = plain.rstrip("0").rstrip(".") if "." in plain else plain
    return "0" if plain == "-0" else plain
