"""The elements that every resource is written with: exact quantities, and the narrative."""

import re
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from html import escape
from typing import Any

from crossgrain.names.printing import exact_decimal
from crossgrain.reading.codesystems import UCUM

_UNIT_WORDS = {"ug": "microgram", "mg": "milligram", "{tbl}": "tablet", "d": "day"}
_PLACES = tuple(Decimal(1).scaleb(-places) for places in range(4))
_DAILY_WORDS = {"ug/d": "microgram per day", "mg/d": "milligram per day"}


def rounded(value: Fraction | float, places: int) -> Decimal:
    """A computed number for reading, rounded half-even to so many places.

    >>> rounded(Fraction(100, 88), 3)
    Decimal('1.136')
    """
    if isinstance(value, float):  # asked first, for it costs least to ask
        decimal = Decimal(repr(value))
    else:
        decimal = Decimal(value.numerator) / Decimal(value.denominator)
    return decimal.quantize(_PLACES[places])


def exact_quantity(value: Fraction, code: str) -> dict[str, Any]:
    """An exact amount as a quantity.

    Raises
    ------
    ValueError
        where no finite decimal equals it.
    """
    return quantity(exact_decimal(value), code)


def counted(number: int, code: str) -> dict[str, Any]:
    """So many as a quantity."""
    return quantity(Decimal(number), code)


def quantity(value: Decimal, code: str) -> dict[str, Any]:
    """A UCUM quantity with its unit in full words ("mcg" and "µg" are misread)."""
    unit = _UNIT_WORDS.get(code) or _DAILY_WORDS[code]
    return {"value": value, "unit": unit, "system": UCUM, "code": code}


_CONTROL = "\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff"
_UNWRITABLE = re.compile(f"[{_CONTROL}]")


def plain(text: str) -> str:
    """Text without the characters that neither XHTML nor a FHIR string may hold.

    They come from hostile or broken input only, and are shown as U+FFFD, not dropped.

    >>> plain("a\\x00b")
    'a\\ufffdb'
    """
    # All of them are unprintable, and nearly every text is printable: one look settles it.
    return text if text.isprintable() else _UNWRITABLE.sub("\ufffd", text)


def safe(text: str) -> str:
    """Text as XHTML character data.

    >>> safe("<script>")
    '&lt;script&gt;'
    """
    if text.isprintable() and not ("&" in text or "<" in text or ">" in text):
        return text
    return escape(plain(text), quote=False)


def paragraph(text: str) -> str:
    """One paragraph of plain text."""
    return f"<p>{safe(text)}</p>"


def paragraphs(texts: Iterable[str]) -> str:
    """A paragraph each."""
    return "".join(map(paragraph, texts))


def heading(text: str) -> str:
    """A heading inside a narrative; bold, since the level is the reader's to choose."""
    return f"<p><b>{safe(text)}</b></p>"


def bullets(items: Iterable[str]) -> str:
    """A list of plain texts, or nothing where there are none."""
    rows = "".join(f"<li>{safe(item)}</li>" for item in items)
    return f"<ul>{rows}</ul>" if rows else ""


def table(headings: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A table of plain texts."""
    head = "".join(f"<th>{safe(cell)}</th>" for cell in headings)
    body = "".join(
        "<tr>" + "".join(f"<td>{safe(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def narrative(*blocks: str) -> dict[str, str]:
    """`Resource.text` from blocks that are XHTML already."""
    inner = "".join(blocks)
    return {
        "status": "generated",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{inner}</div>',
    }
