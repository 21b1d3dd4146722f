"""JSON in: exact numbers, no duplicate keys, bounded in size and depth.

A decoder that keeps the last of two equal keys would read a dose that the sender never saw.
Finding them while decoding is slow in Python, so they are found by counting: the tree is
written back, and every key or value that was dropped takes its quotation marks with it. The
marks are equal in number exactly when nothing was dropped, provided that no mark hides in an
escape (``\\u0022``); where one does, the slow and plain way decides.
"""

import json
from collections import Counter
from decimal import Decimal
from typing import Any

import msgspec

from crossgrain.fhir.read.errors import Category, Unreadable

MOST_BYTES = 10 * 1024 * 1024
MOST_LEVELS = 64
MOST_DIGITS = 40
"""Digits and magnitude of one number: FHIR asks for 18 digits, no quantity needs 10^40."""
_LARGEST = 10**MOST_DIGITS
_ROOT_KEYS_SHOWN = 64


def parse(
    body: bytes, *, most_bytes: int = MOST_BYTES, most_levels: int = MOST_LEVELS
) -> dict[str, Any]:
    """Decode one JSON object; numbers come back as `int` or exact `Decimal`.

    Raises
    ------
    Unreadable
        ``too-costly`` above the size or depth limit, ``structure`` for anything that is not
        one JSON object without duplicate keys, ``value`` for a number beyond 10^40 or of
        more than 40 digits.

    Examples
    --------
    >>> parse(b'{"value": 1.50}')
    {'value': Decimal('1.50')}
    """
    if len(body) > most_bytes:
        raise Unreadable(Category.TOO_COSTLY, "", f"the body is larger than {most_bytes} bytes")
    tree = _decode(body)
    if not isinstance(tree, dict):
        raise Unreadable(Category.STRUCTURE, "", "the body must be one JSON object")
    _check_levels(tree, most_levels)
    _check_keys(body, tree)
    return tree


def _number(text: str) -> Decimal:
    number = Decimal(text)
    if len(text) > MOST_DIGITS or abs(number.adjusted()) > MOST_DIGITS:
        raise _too_long()
    return number


def _too_long(expression: str = "") -> Unreadable:
    return Unreadable(
        Category.VALUE, expression, f"a number has more than {MOST_DIGITS} digits or magnitude"
    )


_decoder = msgspec.json.Decoder(float_hook=_number)
_encoder = msgspec.json.Encoder(decimal_format="number")


def _decode(body: bytes) -> object:
    try:
        return _decoder.decode(body)
    except RecursionError:
        raise Unreadable(
            Category.TOO_COSTLY, "", "the body is nested too deeply to be read"
        ) from None
    except msgspec.ValidationError:
        raise _too_long() from None
    except UnicodeDecodeError:
        raise Unreadable(Category.STRUCTURE, "", "the body is not UTF-8") from None
    except msgspec.DecodeError as fault:
        raise Unreadable(Category.STRUCTURE, "", _without_content(str(fault))) from None


def _without_content(fault: str) -> str:
    """Keep the decoder's position; its messages quote no content."""
    place = fault[fault.rfind("(") :] if "(byte" in fault else ""
    return f"the body is not well-formed JSON {place}".strip()


def _check_levels(tree: dict[str, Any], most_levels: int) -> None:
    """Walk level by level, so that no depth of input is a depth of stack."""
    level: list[Any] = [tree]
    for _ in range(most_levels):
        below: list[Any] = []
        for node in level:
            for value in node.values() if node.__class__ is dict else node:
                kind = value.__class__
                if kind is str:
                    continue
                if kind is dict or kind is list:
                    below.append(value)
                elif kind is int and not -_LARGEST < value < _LARGEST:
                    raise _too_long()
        if not below:
            return
        level = below
    raise Unreadable(
        Category.TOO_COSTLY, "", f"the body is nested deeper than {most_levels} levels"
    )


def _check_keys(body: bytes, tree: dict[str, Any]) -> None:
    if b"\\u0022" not in body and _encoder.encode(tree).count(b'"') == body.count(b'"'):
        return
    slow = json.loads(body, object_pairs_hook=_Members, parse_float=_number)
    found = _doubled(slow)
    if found:
        raise Unreadable(Category.STRUCTURE, found, "this key stands twice in one object")


class _Members(dict[str, Any]):
    """An object that remembers which of its keys came twice."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        times = Counter(key for key, _ in pairs)
        self.doubled = next((key for key, count in times.items() if count > 1), None)


def _doubled(tree: _Members) -> str:
    """Path of the first key that stands twice, or empty."""
    todo: list[tuple[str, Any]] = [(_root_of(tree), tree)]
    while todo:
        path, node = todo.pop()
        if isinstance(node, _Members):
            if node.doubled is not None:
                return f"{path}.{node.doubled}" if node.doubled.isidentifier() else path
            todo.extend((f"{path}.{key}", value) for key, value in node.items())
        elif isinstance(node, list):
            todo.extend((f"{path}[{i}]", value) for i, value in enumerate(node))
    return ""


def _root_of(tree: _Members) -> str:
    kind = tree.get("resourceType")
    known = isinstance(kind, str) and kind.isidentifier() and len(kind) <= _ROOT_KEYS_SHOWN
    return str(kind) if known else "Resource"
