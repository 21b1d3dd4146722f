"""JSON in: exact numbers, no duplicate keys, bounded in size and depth.

A decoder that keeps the last of two equal keys would read a dose that the sender never saw.
Finding them while decoding is slow in Python, so they are found by counting: the tree is
written back, and every key or value that was dropped takes its quotation marks with it. A mark
that is escaped as ``\\u0022`` is written back as one that can be counted. So the marks are equal
in number exactly when nothing was dropped; only then the slow and plain way finds the place.

The same copy shows whether the tree is too deep: what writes it takes no more levels than
`_WRITER_LEVELS`, so it is written inside as many lists as leave the tree the levels that it may
have. Nor does it take an integer above 64 bits: an ordinary body is thereby cleared of all three
faults at once, and any other is looked at fault by fault.
"""

import json
import re
from codecs import BOM_UTF8
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from itertools import accumulate
from typing import Any

import msgspec
import orjson

from crossgrain.reading.elements import ReadCategory, Unreadable

MOST_BYTES = 10 * 1024 * 1024
MOST_LEVELS = 64
MOST_DIGITS = 40
"""Digits and magnitude of one decimal: FHIR asks for 18 digits, no quantity needs 10^40."""
_LARGEST = 10**MOST_DIGITS
_FAR_TOO_MANY = 1000
_LONGEST_NAME = 64
_NO_MORE = object()
_MOST_SEARCHED = 256 * 1024
"""Bytes of a body in which the place of a doubled key is sought."""


def parse(
    body: bytes, *, most_bytes: int = MOST_BYTES, most_levels: int = MOST_LEVELS
) -> dict[str, Any]:
    """Decode one JSON object; numbers come back as `int` or exact `Decimal`.

    Raises
    ------
    Unreadable
        ``too-costly`` above the size or depth limit, ``structure`` for anything that is not
        one JSON object without duplicate keys, ``value`` for a number beyond what FHIR holds.

    Examples
    --------
    >>> parse(b'{"value": 1.50}')
    {'value': Decimal('1.50')}
    """
    if len(body) > most_bytes:
        raise Unreadable(ReadCategory.TOO_COSTLY, "", f"the body is larger than {most_bytes} bytes")
    body = body.removeprefix(BOM_UTF8)  # as RFC 8259, 8.1, allows; many an editor writes one
    tree = _decode(body)
    if not isinstance(tree, dict):
        raise Unreadable(ReadCategory.STRUCTURE, "", "the body must be one JSON object")
    if not _ordinary(body, tree, most_levels):
        if _deeper_than(body, most_levels):  # first: what is too deep is dear to walk through
            raise _too_deep()
        _check_integers(tree)
        _check_keys(body, _encode(tree))
    return tree


def _ordinary(body: bytes, tree: dict[str, Any], most_levels: int) -> bool:
    """Whether one look at a copy shows that there is nothing to refuse."""
    inside: object = tree
    for _ in range(_WRITER_LEVELS - most_levels):
        inside = [inside]
    try:
        copy = orjson.dumps(inside, default=_any_number)
    except orjson.JSONEncodeError:
        return False
    return _marks_agree(body, copy)


def _levels_written() -> int:
    """How many levels the writer takes, found by trying: a release may change it."""
    inside: object = 0
    for levels in range(_FAR_TOO_MANY):
        try:
            orjson.dumps(inside)
        except orjson.JSONEncodeError:
            return levels - 1
        inside = [inside]
    raise RuntimeError("what writes JSON takes any depth, so depth cannot be told by it")


def _any_number(_: object) -> int:
    """Stands for a `Decimal` in the copy, where only marks and levels are looked at."""
    return 0


def _number(text: str) -> Decimal:
    """One decimal, exact; too long or too large a one is refused."""
    try:
        number = Decimal(text)
    except InvalidOperation:  # an exponent of more digits than a Decimal can have
        raise _too_long() from None
    if len(text) > MOST_DIGITS or (number and abs(number.adjusted()) > MOST_DIGITS):
        raise _too_long()
    return number


def _too_long() -> Unreadable:
    return Unreadable(
        ReadCategory.VALUE, "", "a number is larger or longer than any that FHIR holds"
    )


def _too_deep() -> Unreadable:
    return Unreadable(ReadCategory.TOO_COSTLY, "", "the body is nested too deeply to be read")


_WRITER_LEVELS = _levels_written()
_decoder = msgspec.json.Decoder(float_hook=_number)
_encoder = msgspec.json.Encoder(decimal_format="number")


def _decode(body: bytes) -> object:
    try:
        return _decoder.decode(body)
    except RecursionError:
        raise _too_deep() from None
    except msgspec.ValidationError:
        raise _too_long() from None
    except (msgspec.DecodeError, UnicodeDecodeError) as fault:
        raise Unreadable(ReadCategory.STRUCTURE, "", _not_json(body, str(fault))) from None


def _not_json(body: bytes, fault: str) -> str:
    """What is wrong with a body that is no JSON, without a word of its content.

    Whether it is text is looked up here: releases of the decoder say it in different ways.
    """
    if not body.strip():
        return "the body is empty: send the resource or the call as JSON"
    try:
        body.decode()
    except UnicodeDecodeError:
        return "the body is not UTF-8"
    place = fault[fault.rfind("(") :] if "(byte" in fault else ""
    return f"the body is not well-formed JSON {place}".strip()


def _encode(tree: dict[str, Any]) -> bytes:
    try:
        return _encoder.encode(tree)
    except RecursionError:
        raise _too_deep() from None


def _check_integers(tree: dict[str, Any]) -> None:
    """Refuse an integer of more digits than FHIR holds; the decoder takes any."""
    todo: list[Any] = [tree]
    while todo:
        node = todo.pop()
        if isinstance(node, dict):
            todo.extend(node.values())
        elif isinstance(node, list):
            todo.extend(node)
        elif isinstance(node, int) and abs(node) >= _LARGEST:
            raise _too_long()


def _deeper_than(body: bytes, most_levels: int) -> bool:
    """Whether more brackets than that are open at once, outside of strings."""
    brackets = _STRING.sub(b"", body).translate(None, _NO_BRACKETS)
    return max(accumulate(map(_STEPS.__getitem__, brackets)), default=0) > most_levels


_STRING = re.compile(rb'"[^"\\]*(?:\\.[^"\\]*)*"', re.DOTALL)
_STEPS = {**dict.fromkeys(b"[{", 1), **dict.fromkeys(b"]}", -1)}
_NO_BRACKETS = bytes(set(range(256)) - _STEPS.keys())


def _check_keys(body: bytes, written: bytes) -> None:
    if _marks_agree(body, written):
        return
    if len(body) > _MOST_SEARCHED:
        raise Unreadable(ReadCategory.STRUCTURE, "", "a key stands twice in one object")
    slow = json.loads(body, object_pairs_hook=_members, parse_float=_number)
    raise Unreadable(ReadCategory.STRUCTURE, _doubled(slow), "this key stands twice in one object")


def _marks_agree(body: bytes, written: bytes) -> bool:
    """Whether no key was dropped."""
    marks = body.count(b'"')
    if b"\\u0022" in body:
        marks += body.replace(b"\\\\", b"").count(b"\\u0022")  # a backslash may be escaped itself
    return written.count(b'"') == marks


class _Doubled(dict[str, Any]):
    """An object one of whose keys came twice."""

    key = ""


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) == len(pairs):
        return members
    doubled = _Doubled(members)
    doubled.key = next(key for key, count in Counter(k for k, _ in pairs).items() if count > 1)
    return doubled


def _doubled(tree: dict[str, Any]) -> str:
    """Path of the first key that stands twice; no path is made of what has none."""
    steps: list[str] = [_root_of(tree)]
    inside: list[Iterator[tuple[str, Any]]] = [iter([("", tree)])]
    while inside:
        step, node = next(inside[-1], ("", _NO_MORE))
        if isinstance(node, _Doubled):
            return "".join([*steps, step, _member(node.key)]).lstrip(".")
        if isinstance(node, dict):
            steps.append(step)
            inside.append((_member(key), value) for key, value in node.items())
        elif isinstance(node, list):
            steps.append(step)
            inside.append((f"[{number}]", value) for number, value in enumerate(node))
        elif node is _NO_MORE:
            inside.pop()
            steps.pop()
    return ""


def _member(key: str) -> str:
    """A step to a member, where its name is like those of FHIR."""
    return f".{key}" if len(key) <= _LONGEST_NAME and key.isidentifier() else ""


def _root_of(tree: dict[str, Any]) -> str:
    """What names the resource in a path; nothing where the object says that it is none."""
    if "resourceType" not in tree:
        return ""
    kind = tree["resourceType"]
    known = isinstance(kind, str) and kind.isidentifier() and len(kind) <= _LONGEST_NAME
    return str(kind) if known else "Resource"
