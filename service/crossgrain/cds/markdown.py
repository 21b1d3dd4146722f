"""GitHub-flavoured Markdown in which nothing from a record can act as markup or as a link."""

import re
from collections.abc import Iterable, Sequence

from crossgrain.writing.elements import plain

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


def fitted(blocks: Iterable[str], last: str, most: int) -> str:
    """Blocks, the weightiest first, as far as they fit; what is left out is counted at the end.

    Parameters
    ----------
    blocks : Markdown without tables; it is cut between lines, or after a word
    last : stands at the end in any case
    most : characters of the whole, Markdown's own included

    >>> fitted(["- a\\n- b", "- " + "c" * 50], "The end.", 40)
    '- a\\n- b\\n\\nAnd 1 more.\\n\\nThe end.'
    """
    lines = [line for block in blocks if block for line in (*block.split("\n"), "")][:-1]
    taken: list[str] = []
    for number, line in enumerate(lines):
        after = sum(map(bool, lines[number + 1 :]))
        if len(_ended([*taken, line], after, last)) > most:
            room = most - len(_ended([*taken, "…"], after, last))
            begun = _begun(line, room)
            kept = [*taken, begun] if begun else _without_heading(taken)
            return _ended(kept, after + (not begun), last)
        taken.append(line)
    return _ended(taken, 0, last)


def _ended(lines: Iterable[str], left_out: int, last: str) -> str:
    more = f"And {left_out} more." if left_out else ""
    return page("\n".join(lines).strip(), more, last)


def _without_heading(lines: list[str]) -> list[str]:
    """The same, without a heading at the end under which nothing stands."""
    said = [number for number, line in enumerate(lines) if line]
    ends_so = bool(said) and _HEADING.fullmatch(lines[said[-1]])
    return lines[: said[-1]] if ends_so else lines


_HEADING = re.compile(r"\*\*[^*]+\*\*")
_WORTH_BEGINNING = 60


def _begun(line: str, room: int) -> str:
    """The beginning of a line, up to a word and never within an escape; or nothing."""
    if room < _WORTH_BEGINNING:
        return ""
    return line[:room].rpartition(" ")[0].rstrip("\\ ") + "…"
