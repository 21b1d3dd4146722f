"""Bad input ends in one refusal with its place, in bounded time."""

import json
import tracemalloc
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossgrain.reading.elements import ReadCategory, Unreadable
from crossgrain.reading.json import parse

REFUSED = {
    "nothing": (b"", ReadCategory.STRUCTURE),
    "cut off": (b'{"resourceType": "Bundle"', ReadCategory.STRUCTURE),
    "two documents": (b"{} {}", ReadCategory.STRUCTURE),
    "a list": (b"[]", ReadCategory.STRUCTURE),
    "a number": (b"1", ReadCategory.STRUCTURE),
    "NaN": (b'{"value": NaN}', ReadCategory.STRUCTURE),
    "Infinity": (b'{"value": Infinity}', ReadCategory.STRUCTURE),
    "a trailing comma": (b'{"value": 1,}', ReadCategory.STRUCTURE),
    "single quotes": (b"{'value': 1}", ReadCategory.STRUCTURE),
    "a comment": (b'{"value": 1 /* mg */}', ReadCategory.STRUCTURE),
    "a leading zero": (b'{"value": 01}', ReadCategory.STRUCTURE),
    "a byte-order mark and nothing": (b"\xef\xbb\xbf", ReadCategory.STRUCTURE),
    "two byte-order marks": (b"\xef\xbb\xbf" * 2 + b"{}", ReadCategory.STRUCTURE),
    "a byte-order mark at the end": (b"{}\xef\xbb\xbf", ReadCategory.STRUCTURE),
    "UTF-16 with its mark": ("\ufeff{}".encode("utf-16-le"), ReadCategory.STRUCTURE),
    "Latin-1": (b'{"unit": "\xb5g"}', ReadCategory.STRUCTURE),
    "a lone surrogate": (b'{"unit": "\\ud800"}', ReadCategory.STRUCTURE),
    "a lone surrogate in a key": (b'{"\\udc00": 1}', ReadCategory.STRUCTURE),
    "a raw control character": (b'{"unit": "\x01"}', ReadCategory.STRUCTURE),
    "10^400": (b'{"value": 1e400}', ReadCategory.VALUE),
    "10^400 written out": (b'{"value": 1' + b"0" * 400 + b"}", ReadCategory.VALUE),
    "10^5000 written out": (b'{"value": 1' + b"0" * 5000 + b"}", ReadCategory.VALUE),
    "10^-400": (b'{"value": 1e-400}', ReadCategory.VALUE),
    "an exponent of twelve digits": (b'{"value": 1e999999999999}', ReadCategory.VALUE),
    "an exponent of twenty digits": (b'{"value": 1E99999999999999999999}', ReadCategory.VALUE),
    "an exponent of forty digits": (b'{"value": -0.1E-' + b"8" * 40 + b"}", ReadCategory.VALUE),
    "a hundred levels": (b'{"a":' * 100 + b"1" + b"}" * 100, ReadCategory.TOO_COSTLY),
    "a hundred thousand levels": (b'{"a":' + b"[" * 100_000, ReadCategory.TOO_COSTLY),
    "levels hidden by brackets in strings": (
        b'{"x":' + b'{"s":"}}","a":' * 70 + b'"{{"' + b"}" * 71,
        ReadCategory.TOO_COSTLY,
    ),
}


@pytest.mark.parametrize(("body", "category"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_no_json_of_ours_is_refused_by_category(
    body: bytes, category: ReadCategory
) -> None:
    with pytest.raises(Unreadable) as refusal:
        parse(body)
    assert refusal.value.category is category


def test_a_byte_order_mark_is_no_part_of_what_is_read() -> None:
    """RFC 8259, 8.1: it may be ignored; what is doubled or too deep behind it is found as ever."""
    assert parse(b'\xef\xbb\xbf{"value": 1.50}') == {"value": Decimal("1.50")}
    with pytest.raises(Unreadable, match="twice"):
        parse(b'\xef\xbb\xbf{"a": 1, "a": 2}')


@pytest.mark.parametrize("body", [b"", b" \r\n", b"\xef\xbb\xbf"])
def test_an_empty_body_is_called_so(body: bytes) -> None:
    with pytest.raises(Unreadable, match="the body is empty"):
        parse(body)


@pytest.mark.parametrize(
    "body", [b'{"unit": "\xb5g"}', b'{"\xb5g": 1}', b'\xef\xbb\xbf{"a": "\xff"}']
)
def test_a_body_that_is_no_text_is_called_so_whatever_the_decoder_says(body: bytes) -> None:
    with pytest.raises(Unreadable) as refusal:
        parse(body)
    assert refusal.value.message == "the body is not UTF-8"


DOUBLED = {
    "at the root": (b'{"resourceType": "Bundle", "a": 1, "a": 2}', "Bundle.a"),
    "deep in a list": (
        b'{"resourceType": "Bundle", "entry": [{}, {"resource": {"id": "1", "id": "1"}}]}',
        "Bundle.entry[1].resource.id",
    ),
    "with an escaped quotation mark elsewhere": (
        b'{"resourceType": "Bundle", "n": "\\u0022", "m": "\\"", "a": 1, "a": 2}',
        "Bundle.a",
    ),
    "two escapes that would make up for the key": (
        b'{"resourceType": "Bundle", "n": "\\u0022\\u0022", "a": 1, "a": 2}',
        "Bundle.a",
    ),
    "written once with an escape": (
        b'{"resourceType": "Bundle", "value": 1, "v\\u0061lue": 2}',
        "Bundle.value",
    ),
    "without a resource type": (b'{"a": {"b": 1, "b": 2}}', "a.b"),
}


@pytest.mark.parametrize(("body", "expression"), DOUBLED.values(), ids=DOUBLED.keys())
def test_a_key_that_stands_twice_is_refused_with_its_place(body: bytes, expression: str) -> None:
    with pytest.raises(Unreadable) as refusal:
        parse(body)
    assert refusal.value.category is ReadCategory.STRUCTURE
    assert refusal.value.expression == expression


@given(
    st.lists(
        st.sampled_from(["\\u0022", '\\"', "\\\\", "u0022", "\\n", "\\u005c", "\u00e9"]), max_size=8
    ),
    st.booleans(),
)
def test_marks_are_counted_through_every_escape(parts: list[str], doubled: bool) -> None:
    text = "".join(parts)
    body = f'{{"resourceType": "Bundle", "a": "{text}", "{text}b": 1'.encode()
    if not doubled:
        assert parse(body + b"}")["a"] == json.loads(f'"{text}"')
        return
    with pytest.raises(Unreadable) as refusal:
        parse(body + b', "a": 2}')
    assert refusal.value.expression == "Bundle.a"


def test_in_a_large_body_a_doubled_key_is_refused_without_its_place() -> None:
    body = b'{"resourceType": "Bundle", "a": 1, "a": "' + b"x" * 1024 * 1024 + b'"}'
    with pytest.raises(Unreadable) as refusal:
        parse(body)
    assert (refusal.value.category, refusal.value.expression) == (ReadCategory.STRUCTURE, "")


def test_a_long_name_is_no_part_of_a_place() -> None:
    body = b'{"resourceType": "Bundle", "' + b"x" * 65 + b'": [{"a": 1, "a": null}]}'
    with pytest.raises(Unreadable) as refusal:
        parse(body)
    assert refusal.value.expression == "Bundle[0].a"


def test_escaped_quotation_marks_alone_are_no_doubled_key() -> None:
    assert parse(b'{"n": "\\u0022", "m": "say \\"x\\""}') == {"n": '"', "m": 'say "x"'}


def test_numbers_stay_as_written() -> None:
    value = parse(b'{"value": 1.50}')["value"]
    assert isinstance(value, Decimal)
    assert str(value) == "1.50"


def test_sixty_four_levels_are_read_and_one_more_is_not() -> None:
    def nested(levels: int) -> bytes:
        return b'{"a":' * levels + b"1" + b"}" * levels

    parse(nested(64))
    with pytest.raises(Unreadable) as refusal:
        parse(nested(65))
    assert refusal.value.category is ReadCategory.TOO_COSTLY


def test_a_large_body_is_bounded_by_the_same_levels() -> None:
    filling = b'"' + b"x" * 100_000 + b'"'

    def nested(levels: int) -> bytes:
        return b'{"a":' * levels + filling + b"}" * levels

    parse(nested(64))
    with pytest.raises(Unreadable) as refusal:
        parse(nested(65))
    assert refusal.value.category is ReadCategory.TOO_COSTLY


def test_a_body_of_fifty_mebibytes_is_refused_at_once() -> None:
    body = b'{"a": "' + b"x" * (50 * 1024 * 1024) + b'"}'
    tracemalloc.start()
    try:
        with pytest.raises(Unreadable) as refusal:
            parse(body)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert refusal.value.category is ReadCategory.TOO_COSTLY
    assert peak < 1024 * 1024, "it was read before it was refused"


def test_no_refusal_quotes_the_body() -> None:
    with pytest.raises(Unreadable) as refusal:
        parse(b'{"name": "Quillfeather" "x"}')
    assert "Quillfeather" not in refusal.value.message


def test_a_string_of_many_digits_is_no_number() -> None:
    digits = b"9" * 60
    assert parse(b'{"value": "' + digits + b'"}') == {"value": digits.decode()}
