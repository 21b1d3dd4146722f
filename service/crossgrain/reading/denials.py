"""Names in free text, and whether they are denied: "denies angina", "family history of stroke".

Only a sure denial is taken for one. From the denying words to the name nothing may stand but
known fillers, other names and what joins a list, and nothing may follow that could turn it
("no heart failure exacerbation" is said of somebody with heart failure). What is in doubt is
heard; only of a fact that would *lift* a finding (a diagnosis that explains the hormone) the
doubtful word is not taken. The words stand in ``data/denials.toml``.
"""

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import field

from crossgrain.names.values import frozen
from crossgrain.reading.hormone_names import folded

Phrase = tuple[str, ...]
Phrases = Mapping[str, tuple[Phrase, ...]]
"""First word → the phrases that begin with it."""

_WORD = re.compile(r"(?:\d+\.\d+|[^\s\-,;()\[\]/.:!?])+")
_INSIDE_A_NAME = re.compile(r"[\s\-,;()\[\]/]*")
_INSIDE_A_PHRASE = re.compile(r"[\s\-/]*")
_SPACE = re.compile(r"[\s\-]*")
_TO_A_LIST = re.compile(r"[\s\-]*:?[\s\-]*")
_TO_A_DENIAL = re.compile(r"[\s\-]*[:(?]?[\s\-]*")
_COMMA = re.compile(r"[\s\-]*,[\s\-]*")
_SLASH = re.compile(r"[\s\-]*/[\s\-]*")
_JOINS = {"no": ("or", "nor"), "denies": ("or", "nor", "and"), "family": ("or", "nor", "and")}
_LONGEST_LIST = 40
"""Words that a denial reaches over: what stands further off is heard."""
_VERBS: Phrases = {"is": (("is",),), "was": (("was",),), "has": (("has", "been"),)}
_GO_ON = {"or", "nor", "and", "but", "however"}
"""What may follow a denied name, as the next name or another statement may."""


@frozen
class Clause:
    """A text as words, and the signs between them: ``gaps[n]`` stands before ``words[n]``."""

    words: Phrase
    gaps: tuple[str, ...]

    @classmethod
    def of(cls, said: str) -> "Clause":
        """Take a text apart; case and accents do not matter.

        >>> Clause.of("No angina: 2.5 mg").gaps
        ('', ' ', ': ', ' ', '')
        """
        plain = folded(said)
        return cls(tuple(_WORD.findall(plain)), tuple(_WORD.split(plain)))

    def stands_at(self, phrase: Phrase, start: int, across: re.Pattern[str]) -> bool:
        """Whether a phrase begins at a word, with no sign inside that may not stand there."""
        end = start + len(phrase)
        return self.words[start:end] == phrase and all(
            gap == " " or across.fullmatch(gap) for gap in self.gaps[start + 1 : end]
        )

    def longest(self, phrases: Phrases, start: int) -> int:
        """The end of the longest of some phrases that begins at a word, or that word itself."""
        here = phrases.get(self.words[start], ()) if start < len(self.words) else ()
        ends = (start + len(p) for p in here if self.stands_at(p, start, _INSIDE_A_PHRASE))
        return max(ends, default=start)


@frozen
class Name:
    """A name found in a text: its words are ``words[start:end]``."""

    key: str
    start: int
    end: int


@frozen
class Denials:
    """The words of the data file. Without any, nothing is denied and nothing doubted."""

    before: Mapping[str, Phrases] = field(default_factory=dict)
    after: Phrases = field(default_factory=dict)
    between: Phrases = field(default_factory=dict)
    between_more: Phrases = field(default_factory=dict)
    follows: Phrases = field(default_factory=dict)
    listed: Phrases = field(default_factory=dict)
    doubt: Phrases = field(default_factory=dict)
    relieving: frozenset[str] = frozenset()

    def heard(self, said: Clause, names: tuple[Name, ...]) -> Iterator[Name]:
        """The names that the text does not deny."""
        covered = {at: name for name in names for at in range(name.start, name.end)}
        denied = {
            name
            for kind, phrases in self.before.items()
            for start in (range(len(said.words)) if names else ())
            if (first := said.longest(phrases, start)) > start
            for name in self._from(said, covered, kind, first)
            if name.start > start
        }
        for name in names:
            doubtful = name.key in self.relieving and self._in_doubt(said, name)
            if name not in denied and not doubtful and not self._denied_after(said, name):
                yield name

    def _from(
        self, said: Clause, covered: Mapping[int, Name], kind: str, at: int
    ) -> Iterator[Name]:
        """What a denial reaches: the first name, then those that a conjunction ties to it.

        A name after a comma waits until a conjunction closes the list: "no palpitations, atrial
        fibrillation" may well assert the second.
        """
        across = _SPACE if kind == "no" else _TO_A_LIST
        fillers, waiting, tied = self.between, list[Name](), True
        last = min(len(said.words), at + _LONGEST_LIST)
        while at < last and across.fullmatch(said.gaps[at]):
            at = _past(said, at, fillers)
            name = covered.get(at)
            end = name.end if name else said.longest(self.listed, at)
            if end == at or not self._may_end(said, end):
                return
            waiting += [name] if name else []
            if tied:
                yield from waiting
                waiting.clear()
            at, tied = _next(said, end, kind)
            across, fillers = _BETWEEN_ITEMS, self.between_more

    def _may_end(self, said: Clause, end: int) -> bool:
        """Whether nothing follows a name that could turn what is said of it."""
        end = said.longest(self.follows, end)
        if end == len(said.words) or not _SPACE.fullmatch(said.gaps[end]):
            return True
        return said.words[end] in _GO_ON

    def _denied_after(self, said: Clause, name: Name) -> bool:
        at = name.end
        if at == len(said.words) or not _TO_A_DENIAL.fullmatch(said.gaps[at]):
            return False
        at = said.longest(_VERBS, at)
        end = said.longest(self.after, at)
        if end == at:
            return False
        if end == len(said.words):
            return True
        numbered = said.gaps[end].startswith(".") and said.words[end].isdigit()
        return not numbered and not _SPACE.fullmatch(said.gaps[end])

    def _in_doubt(self, said: Clause, name: Name) -> bool:
        if "?" in said.gaps[name.start] or "?" in said.gaps[name.end]:
            return True
        verb = said.longest(_VERBS, name.end)
        if said.longest(self.doubt, verb) > verb:
            return True
        near = range(max(0, name.start - _LONGEST_LIST), name.start)
        reached = ((at, said.longest(self.doubt, at)) for at in near)
        return any(end > at and _past(said, end, self.between) == name.start for at, end in reached)


_BETWEEN_ITEMS = re.compile(r"[\s\-,/]*")


def _next(said: Clause, end: int, kind: str) -> tuple[int, bool]:
    """Where the next item of a list of denied things may begin, and whether it is surely in it.

    A text that goes on otherwise gives its end.
    """
    gap = said.gaps[end]
    if end < len(said.words) and said.words[end] in _JOINS[kind]:
        return (
            (end + 1, True)
            if _SPACE.fullmatch(gap) or _COMMA.fullmatch(gap)
            else (len(said.words), False)
        )
    if _SLASH.fullmatch(gap):
        return end, True
    if kind != "family" and _COMMA.fullmatch(gap):
        return end, False
    return len(said.words), False


def _past(said: Clause, at: int, fillers: Phrases) -> int:
    """The first word from `at` on that is no filler."""
    while at < len(said.words) and (end := said.longest(fillers, at)) > at:
        if end < len(said.words) and not _SPACE.fullmatch(said.gaps[end]):
            break
        at = end
    return at


def names_in(said: Clause, names: Mapping[str, Collection[tuple[Phrase, str]]]) -> Iterator[Name]:
    """The known names of a text from left to right, the longest at each place.

    Parameters
    ----------
    names : first word → the names that begin with it, each with its key
    """
    after = 0
    for at, word in enumerate(said.words):
        if at < after or word not in names:
            continue
        found = [
            Name(key, at, at + len(phrase))
            for phrase, key in names[word]
            if said.stands_at(phrase, at, _INSIDE_A_NAME)
        ]
        if found:
            longest = max(found, key=lambda name: name.end)
            after = longest.end
            yield longest
