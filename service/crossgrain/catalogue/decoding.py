"""One typed decoder for every data file: what its form says, or a refusal that names the place.

A form is a struct of `FileForm`: a key that it does not have is refused, since a slip would
otherwise pass for a setting that nothing reads. A place is the path of keys, the entries of a list
counted from 1, as in ``product[2].strength``; `in_file` puts the name of the file before it.
The TOML parser keeps no line numbers, so only a file that is not TOML at all names a line.
"""

import re
from abc import ABCMeta
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias, TypeVar

import msgspec
from msgspec import inspect

from crossgrain.names.errors import DomainError
from crossgrain.names.numbers import exact_number, positive_number, refuse, whole_number


class FileForm(msgspec.Struct, forbid_unknown_fields=True):
    """A table of a data file; a key that it does not have is refused."""


if TYPE_CHECKING:
    Exact: TypeAlias = Fraction
    """A number, exact."""
    Positive: TypeAlias = Fraction
    """A number above zero, exact."""
    Whole: TypeAlias = int
    """A whole number above zero."""
else:
    # To the decoder these are types that it asks `_read` for; to everybody else they are what is
    # read, so each is registered as the base of it.
    Exact, Positive, Whole = (ABCMeta(name, (), {}) for name in ("Exact", "Positive", "Whole"))
    Exact.register(Fraction)
    Positive.register(Fraction)
    Whole.register(int)

Text = Annotated[str, msgspec.Meta(pattern=r"\S")]
"""A text that is not blank."""
_T = TypeVar("_T")
Listed = Annotated[tuple[_T, ...], msgspec.Meta(min_length=1)]
"""A list with something in it."""
Entries = Listed[dict[str, Any]]
"""The tables of one list, each still to be decoded by a form of its own."""

_NUMBERS: Mapping[object, Callable[[object, str], object]] = {
    Exact: exact_number,
    Positive: positive_number,
    Whole: whole_number,
}
_STEP = re.compile(r"\.([^.\[]+)|\[")
_MISSING = re.compile(r"Object missing required field `(.*)`")
_UNKNOWN = re.compile(r"Object contains unknown field `(.*)`|Invalid enum value '?(.*?)'?")
_WANTED = re.compile(r"Expected `([^`]*)`( of length \d+| >= 1)?")
_EXPECTED = {
    "object": "this must be a table",
    "array": "this must be a list with at least one entry",
    "array of length 2": "this must be the least and the most",
    "str": "this must be a text, not blank",
    "bool": "this must be true or false",
    "int": "this must be a whole number",
    "int >= 1": "this must be a whole number above zero",
    "float": "this must be a number",
    "int | str": "this must be a code",
    "int | str | array": "this must be a code, or a list of them",
}
"""What is said where something else was expected, by the decoder's name of it."""


def decoded(content: object, form: type[_T], place: str = "") -> _T:
    """What stands at `place`, as its form.

    Raises
    ------
    DomainError
        ``invalid``, its field the place: a key that is missing or unknown, a value of another
        kind, a number that is not exact or not above zero, a word that is none of those known.
    """
    try:
        return msgspec.convert(content, form, dec_hook=_read)
    except msgspec.ValidationError as wrong:
        says, _, path = str(wrong).partition(" - at `$")
        refuse(*_refusal(says, form, place, path.removesuffix("`")))


def _read(kind: type, value: object) -> object:
    try:
        return _NUMBERS[kind](value, "")
    except DomainError as wrong:
        raise ValueError(wrong.message) from None


def _refusal(says: str, form: object, place: str, path: str) -> tuple[str, str]:
    """The place of a fault and what is said of it, in the words of every data file."""
    counted = re.sub(r"\[(\d+)\]", lambda found: f"[{int(found[1]) + 1}]", path)
    spot = below(place, counted.removeprefix("."))
    if missing := _MISSING.fullmatch(says):
        return below(spot, missing[1]), f"{missing[1]} is missing"
    if unknown := _UNKNOWN.fullmatch(says):
        word = unknown[1] or unknown[2]
        at = below(spot, word) if unknown[1] else spot
        return at, f"{word} is not known here; known are {', '.join(_known(form, path))}"
    if expected := _WANTED.match(says):
        kind = expected[1].removesuffix(" | null")
        return spot, _EXPECTED.get(kind + (expected[2] or ""), _EXPECTED.get(kind, says))
    return spot, says


def below(place: str, key: str) -> str:
    """The place of a key of what stands at `place`."""
    return f"{place}.{key}" if place and key and key[0] != "[" else place + key


def _known(form: object, path: str) -> list[str]:
    """The keys, or the words, that may stand where a path leads."""
    kind = inspect.type_info(form)
    for step in _STEP.finditer(path):
        kind = _one(kind)
        if isinstance(kind, inspect.StructType):
            kind = next(each.type for each in kind.fields if each.encode_name == step[1])
        else:
            kind = kind.item_type if hasattr(kind, "item_type") else kind
    kind = _one(kind)
    if isinstance(kind, inspect.StructType):
        return sorted(each.encode_name for each in kind.fields)
    if isinstance(kind, inspect.EnumType):
        return sorted(str(each) for each in kind.cls)
    return sorted(map(str, getattr(kind, "values", ())))


def _one(kind: inspect.Type) -> inspect.Type:
    """The kind itself where it may also be left out."""
    if isinstance(kind, inspect.Metadata):
        return _one(kind.type)
    if isinstance(kind, inspect.UnionType):
        return _one(next(each for each in kind.types if not isinstance(each, inspect.NoneType)))
    return kind


def tables_in(content: object, place: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """The tables of a list, each with its place: ``product[2]``."""
    for number, entry in enumerate(decoded(content, Entries, place), start=1):
        yield f"{place}[{number}]", entry


def entries_in(content: object, form: type[_T], place: str) -> Iterator[tuple[str, _T]]:
    """The same, each as its form."""
    for spot, entry in tables_in(content, place):
        yield spot, decoded(entry, form, spot)


def values_in(content: Mapping[str, object], form: type[_T], place: str) -> dict[str, _T]:
    """The values of a table whose keys are names, each as its form."""
    return {name: decoded(value, form, below(place, name)) for name, value in content.items()}


@contextmanager
def in_file(name: str, table: str = "") -> Iterator[None]:
    """Put the file, and the table of it that is read, before the place of what is refused."""
    try:
        yield
    except DomainError as wrong:
        place = below(table, wrong.field)
        spot = f"{name}: {place}" if place else name
        raise DomainError(wrong.category, spot, wrong.message) from None
