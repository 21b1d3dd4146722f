"""Numbers of data files: read exactly or refused with their place, and who may set them."""

import re
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import NoReturn

from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen

_NUMBER = re.compile(r"([+-]?\d+(?:\.\d+)?)(?:/(\d+(?:\.\d+)?))?", re.ASCII)


def refuse(place: str, message: str) -> NoReturn:
    """Refuse what stands at `place`."""
    raise DomainError(Category.INVALID, place, message)


def exact_number(value: object, place: str) -> Fraction:
    """An integer, a decimal string or a ratio string as an exact fraction.

    A binary float is refused: the file's author, not a rounding, decides what it says.

    Examples
    --------
    >>> exact_number("115.2/40.3", "trial.lt4_ug_per_lt3_ug")
    Fraction(1152, 403)
    """
    if isinstance(value, Fraction):
        return value
    if isinstance(value, float):
        refuse(place, 'write this number as a string, e.g. "16.25", so that it stays exact')
    written = str(value) if type(value) is int else value
    match = _NUMBER.fullmatch(written) if isinstance(written, str) else None
    if match is None:
        refuse(place, 'this must be a number, written like 25, "16.25" or "38/60"')
    divisor = Fraction(match[2] or 1)
    if not divisor:
        refuse(place, "this divides by zero")
    return Fraction(match[1]) / divisor


def positive_number(value: object, place: str) -> Fraction:
    """An exact number above zero."""
    number = exact_number(value, place)
    if number <= 0:
        refuse(place, "this must be above zero")
    return number


def whole_number(value: object, place: str) -> int:
    """A whole number above zero."""
    number = positive_number(value, place)
    if number.denominator != 1:
        refuse(place, "this must be a whole number")
    return int(number)


OURS = "our judgement"
"""How the source of a number begins that no source gives; a clinic may set its own."""
CLINICS = "the clinic's own"
"""How the source of a number begins that a clinic has set."""
PARTS = "of the old regimen's"
"""The unit of coverage and of exposure, which a person reads in percent."""
_COUNTED = frozenset(
    {
        "days",
        "weeks",
        "years",
        "hours",
        "changes",
        "doses",
        "medicines",
        "resources",
        "strengths",
        "tablets",
    }
)
"""Units of which there are no parts."""


@frozen
class Number:
    """One entry of a data file.

    Attributes
    ----------
    key : its one name, and where a clinic sets it: ``ratio.under``
    value, unit : exact
    says : what it decides
    source : on whose word
    within : where a source gives a range, the least and the most that a clinic may set
    """

    key: str
    value: Fraction
    unit: str
    says: str
    source: str
    within: tuple[Fraction, Fraction] | None = None

    @property
    def is_ours(self) -> bool:
        """Whether the value is the service's own judgement."""
        return self.source.startswith(OURS)

    @property
    def is_clinics(self) -> bool:
        """Whether it is a clinic's own value."""
        return self.source.startswith(CLINICS)

    @property
    def may_be_set(self) -> bool:
        """Whether a clinic may set it."""
        return self.is_ours or self.within is not None

    @property
    def is_counted(self) -> bool:
        """Whether only whole values are meant."""
        return self.unit in _COUNTED

    @property
    def days(self) -> int | None:
        """So many days, where it counts days or weeks."""
        per_unit = {"days": 1, "weeks": 7}.get(self.unit)
        return per_unit and int(self.value * per_unit)

    def set_to(self, written: object, place: str) -> "Number":
        """The same with a clinic's value.

        Raises
        ------
        DomainError
            with `place`, for a number that is not a clinic's to set, or a value that is none, not
            above zero, not whole where it is counted, or outside the range that its source gives.
        """
        if not self.may_be_set:
            refuse(place, f"a clinic may not set this number: {self.source}")
        value = Fraction((whole_number if self.is_counted else positive_number)(written, place))
        if self.within and not self.within[0] <= value <= self.within[1]:
            least, most = map(decimal, self.within)
            refuse(place, f"this must lie within {least} and {most}: {self.source}")
        was = f"{decimal(self.value)} as shipped, {self.source}"
        return replace(self, value=value, source=f"{CLINICS} ({was})", within=None)


Numbers = Mapping[str, Number]
"""Every number by its key."""
