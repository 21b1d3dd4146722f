"""GitHub-flavoured Markdown in which nothing from a record can act as markup or as a link."""

import re
from collections.abc import Iterable, Sequence

from crossgrain.writing.narrative import plain

_SPECIAL = re.compile(r"[\\`*_{}\[\]<>#|~&!@]|:(?=//)|(?<=www)\.", re.IGNORECASE)
_BREAKS = re.compile(r"\s+")
_ORDERED = re.compile(r"^(\d+)([.)])(?=\s|$)")
_BULLET = re.compile(r"^([-+=])")


def text(words: str) -> str:
    r"""Plain words on one line, everything that Markdown could act on escaped.

    >>> text("[a](b) <b> www.x.example 1 | 2")
    '\\[a\\](b) \\<b\\> www\\.x.example 1 \\| 2'
    """
    line = _BREAKS.sub(" ", plain(words)).strip()
    line = _SPECIAL.sub(lambda found: f"\\{found.group()}", line)
    return _BULLET.sub(r"\\\1", _ORDERED.sub(r"\1\\\2", line))


def strong(words: str) -> str:
    """The same, emphasised."""
    return f"**{text(words)}**"


def bullets(items: Iterable[str]) -> str:
    """A list; each item is Markdown already."""
    return "\n".join(f"- {item}" for item in items)


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of plain texts."""
    lines = [headings, ["---"] * len(headings)]
    written = [f"| {' | '.join(line)} |" for line in lines]
    written += [f"| {' | '.join(map(text, row))} |" for row in rows]
    return "\n".join(written)


def page(*blocks: str) -> str:
    """Blocks with a blank line between; empty ones are left out."""
    return "\n\n".join(block for block in blocks if block)
