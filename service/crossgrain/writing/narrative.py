"""Narratives: generated XHTML that reads on its own, everything in it escaped."""

import re
from collections.abc import Iterable
from html import escape

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
