"""Read the values of a data file's entries exactly, or refuse them with their place."""

import re
from collections.abc import Collection, Mapping
from fractions import Fraction
from typing import NoReturn

from crossgrain.names.errors import Category, DomainError

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


def required(entry: Mapping[str, object], key: str, place: str) -> object:
    """The value under `key`, which must stand there."""
    if key not in entry:
        refuse(f"{place}.{key}", f"{key} is missing")
    return entry[key]


def text(entry: Mapping[str, object], key: str, place: str) -> str:
    """A string that must stand there and not be blank."""
    value = required(entry, key, place)
    if not isinstance(value, str) or not value.strip():
        refuse(f"{place}.{key}", "this must be a text, not blank")
    return value


def table(value: object, place: str) -> Mapping[str, object]:
    """A TOML table."""
    if not isinstance(value, dict):
        refuse(place, "this must be a table")
    return value


def listed(value: object, place: str) -> list[object]:
    """A TOML array with something in it."""
    if not isinstance(value, list) or not value:
        refuse(place, "this must be a list with at least one entry")
    return value


def only_known_keys(entry: Mapping[str, object], known: Collection[str], place: str) -> None:
    """Refuse the first key that nothing reads: it is a slip, or a check that never runs."""
    for key in entry:
        if key not in known:
            spot = f"{place}.{key}" if place else key
            refuse(spot, f"{key} is not known here; known are {', '.join(sorted(known))}")
