"""What changed between two answers, for a reader: lines of JSON, of markup, of text."""

import json
import re
import subprocess
from collections.abc import Iterator, Set
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.golden.answers import Answer

_ID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_HUNK = re.compile(r"^@@ -(\d+)(?:,(\d+))? \+(\d+)(?:,(\d+))? @@", re.MULTILINE)
_NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
_TAGS = re.compile(r"(?=<(?!/))")
_AROUND = 2
_MOST_LINES = 24
_RESOURCE = '"resourceType": "'


@dataclass(frozen=True, slots=True)
class Change:
    """Lines that were taken out and put in, where, and the lines around them."""

    where: str
    before: tuple[str, ...]
    out: tuple[str, ...]
    put: tuple[str, ...]
    after: tuple[str, ...]

    @property
    def kind(self) -> tuple[Any, ...]:
        """Equal where the same words give way to the same, whatever the numbers in them."""
        if len(self.out) != len(self.put):
            return self.where, *map(_worded, (self.out, self.put))
        return self.where, *map(_other_words, self.out, self.put)

    def shown(self) -> Iterator[str]:
        """As a unified diff shows it."""
        yield f"@@ {self.where} @@"
        yield from (f"  {line}" for line in self.before)
        for sign, lines in (("-", self.out), ("+", self.put)):
            yield from (f"{sign} {line}" for line in lines[:_MOST_LINES])
            if len(lines) > _MOST_LINES:
                yield f"{sign} ... {len(lines) - _MOST_LINES} lines more"
        yield from (f"  {line}" for line in self.after)


@dataclass(slots=True)
class Group:
    """Changes of one kind: the first of them, and the answers in which one stands."""

    example: Change
    names: list[str] = field(default_factory=list)


class Report:
    """Gathers the changes of many answers."""

    def __init__(self) -> None:
        self.groups: dict[tuple[Any, ...], Group] = {}
        self.names: list[str] = []

    def add(self, name: str, before: Answer, after: Answer) -> None:
        """Look at one answer, which may be the same."""
        if before == after:
            return
        self.names.append(name)
        for change in changes(before, after):
            group = self.groups.setdefault(change.kind, Group(change))
            if not group.names or group.names[-1] != name:
                group.names.append(name)

    def shown(self, gone: Set[str], new: Set[str]) -> Iterator[str]:
        """Every kind of change, the most frequent first, each with one example."""
        yield from (f"--- {name}: no longer asked" for name in sorted(gone))
        yield from (f"+++ {name}: not asked before" for name in sorted(new))
        for group in sorted(self.groups.values(), key=lambda group: -len(group.names)):
            many = f"in {len(group.names)} answers, such as" if len(group.names) > 1 else "in"
            yield f"=== {many} {group.names[0]}"
            yield from group.example.shown()
            yield ""
        yield f"{len(self.names)} answers changed, in {len(self.groups)} ways"


def _worded(lines: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(_NUMBER.sub("#", line.strip()) for line in lines)


def _other_words(old: str, new: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The words of each line, without those that both begin and end with."""
    one, other = (_NUMBER.sub("#", line).split() for line in (old, new))
    first = _alike(one, other)
    one, other = one[first:], other[first:]
    last = _alike(one[::-1], other[::-1])
    return tuple(one[: len(one) - last]), tuple(other[: len(other) - last])


def _alike(one: list[str], other: list[str]) -> int:
    """How many words are the same before the first that is not."""
    pairs = zip(one, other, strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))


def changes(before: Answer, after: Answer) -> Iterator[Change]:
    """What changed, in the order of the answer.

    Ids follow from the contents: they are shown only where nothing else changed.
    """
    old, new = _lines(before), _lines(after)
    found = list(_changes(_without_ids(old), _without_ids(new)))
    return iter(found or _changes(old, new))


def _changes(old: list[str], new: list[str]) -> Iterator[Change]:
    for a, b, c, d in _edits(old, new):
        around = old[max(0, a - _AROUND) : a], old[b : b + _AROUND]
        yield Change(
            _place(old, a), tuple(around[0]), tuple(old[a:b]), tuple(new[c:d]), tuple(around[1])
        )


def _edits(old: list[str], new: list[str]) -> Iterator[tuple[int, int, int, int]]:
    """Where lines were taken out and where put in, as git finds it: it is quick on long answers."""
    with TemporaryDirectory(prefix="golden-diff-") as folder:
        files = Path(folder, "old"), Path(folder, "new")
        for file, lines in zip(files, (old, new), strict=True):
            file.write_text("".join(f"{line}\n" for line in lines), "utf-8")
        asked = ("git", "diff", "--no-index", "--no-color", "--text", "--histogram", "--unified=0")
        ran = subprocess.run([*asked, *files], capture_output=True, check=False)
    for found in _HUNK.finditer(ran.stdout.decode()):
        a, taken, c, put = (1 if group is None else int(group) for group in found.groups())
        # Where nothing was taken out or put in, git names the line before.
        a, c = (a - 1 if taken else a), (c - 1 if put else c)
        yield a, a + taken, c, c + put


def _place(lines: list[str], number: int) -> str:
    """The resource, or the part, in which a line stands."""
    for line in reversed(lines[:number]):
        if _RESOURCE in line:
            return line.strip().strip(",").removeprefix(_RESOURCE).strip('"')
        if line.startswith("== "):
            return line.removeprefix("== ")
    return "head"


def _without_ids(lines: list[str]) -> list[str]:
    return [_ID.sub("{id}", line) for line in lines]


def _lines(answer: Answer) -> list[str]:
    lines = [answer.head]
    for name, body in answer.parts:
        lines += [f"== {name}", *_pretty(body.decode(errors="backslashreplace"))]
    return lines


def _pretty(text: str) -> Iterator[str]:
    try:
        tree = json.loads(text)
    except ValueError:
        for line in text.splitlines():
            yield from _spread(line)
        return
    for line in json.dumps(tree, indent=1, ensure_ascii=False).splitlines():
        yield from _spread(line)


def _spread(line: str) -> Iterator[str]:
    """Markup with an element a line, also inside a string of JSON; lines of NDJSON as JSON."""
    if line.startswith("{") and line.endswith("}") and len(line) > 2:
        yield from json.dumps(json.loads(line), indent=1, ensure_ascii=False).splitlines()
    elif "<" in line:
        for piece in _TAGS.split(line):
            yield from piece.split("\\n")
    else:
        yield line
