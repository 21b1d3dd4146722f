"""Instructions in languages other than English, one file of phrases for each.

A file of ``data/sigs`` gives the phrases of one language by what they mean, and where they are
from. An instruction is read in a language whole or not at all: every word of it stands in a phrase
of the file, and they come together as follows.

::

    sig    = part { ("and" | "," | ";") part }
    part   = amount, how often, and whatever stands beside, in any order
    amount = number unit ["and a half"] ["(" number mass ")"] | number | scheme
    often  = daily | times a day | every other day | every N days or hours | times a week
             | times of day | days of the week | all days but these

It is read in every language at once. Where two of them give it two meanings, or one of them only
that it bears on the taking, none is taken, unless the resource says which language it is in:
``1 tabl morgen`` is every morning's tablet in Danish and tomorrow's in German.
"""

import re
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import product
from typing import Any, NamedTuple

from crossgrain.names.values import frozen
from crossgrain.reading.hormone_names import folded
from crossgrain.reading.schedule import (
    LONGEST,
)
from crossgrain.reading.sig import Sig, read_english
from crossgrain.reading.sig_clauses import ABBREVIATED, Symbol, sig_of

_TOKEN = re.compile(r"\{[nt]\}|\d+(?:[.,]\d+)?(?:/\d+)?|[^\W\d_]+|\S")
_PIECE = re.compile(r"\{(\w{2,})\}")
_SIGNS = str.maketrans(
    {"½": " 1/2 ", "¼": " 1/4 ", "¾": " 3/4 ", "⁄": "/", "’": "'", "×": " x ", "μ": "u", "µ": "u"}
)
_SHORT_DAY = 3
"""Letters: a day of the week by fewer stands in a list or a span, since "po" is not only Monday."""


@frozen
class Language:
    """The phrases of one language, by their words.

    Attributes
    ----------
    code : as in ``Resource.language``, without a region
    phrases : what stands for a meaning; ``{n}`` is a number, ``{t}`` so many times
    numbers, times, signs : numbers in words, "twice", and what makes a number one ("times")
    vocabulary : every word of the file
    telling : phrases that say by themselves that a dose is not taken every day, or bear on it
    longest : words of its longest phrase
    """

    code: str
    phrases: Mapping[tuple["Counted", ...], Symbol]
    numbers: Mapping[tuple[str, ...], Fraction]
    times: Mapping[tuple[str, ...], Fraction]
    signs: frozenset[tuple[str, ...]]
    vocabulary: frozenset[str]
    telling: tuple[tuple[str, ...], ...]
    longest: int

    def takes_lightly(self, phrase: tuple[str, ...]) -> bool:
        """Whether a phrase that tells in another language is an ordinary one of this."""
        meant = self.phrases.get(phrase)
        return meant is not None and meant[0] not in _TELLING


def tokens_of(words: str) -> list[str]:
    """Words, numbers and signs, without case and accents; no full stop after a word."""
    plain = words.casefold()
    if not plain.isascii():
        plain = folded(words.translate(_SIGNS)).translate(_SIGNS)
    found = _TOKEN.findall(plain)
    return list(_without_stops(found)) if "." in found else found


def _without_stops(found: Sequence[str]) -> Iterator[str]:
    for place, token in enumerate(found):
        at_the_end = place + 1 == len(found)
        if token != "." or not (at_the_end or found[place - 1].isalpha()):
            yield token


Phrases = Iterable[tuple[str, Any, str]]
"""Table, value and words of every phrase of a file."""


def language_of(code: str, written: Phrases, pieces: Mapping[str, Sequence[str]]) -> Language:
    """One language by its phrases.

    Raises
    ------
    ValueError
        with the phrase, where it has two meanings.
    """
    phrases: dict[tuple[str, ...], Symbol] = {}
    signs: set[tuple[str, ...]] = set()
    for name, value, phrase in written:
        for words in _spelled(phrase, pieces):
            if name == "times_sign":
                signs.add(words)
            elif phrases.setdefault(words, (name, value)) != (name, value):
                raise ValueError(phrase)
    numbers = {words: v for words, (name, v) in phrases.items() if name == "numbers"}
    times = {words: v for words, (name, v) in phrases.items() if name == "times"}
    vocabulary = frozenset(t for words in (*phrases, *signs) for t in words if t.isalpha())
    longest = max(map(len, (*phrases, *signs)), default=0)
    telling = tuple(words for words, (name, _) in phrases.items() if _tells(name, words))
    language = Language(code, {}, numbers, times, frozenset(signs), vocabulary, telling, longest)
    counting = {word for words in (*numbers, *times) for word in words[:1]}
    counted = {
        tuple(_counted(language, words)) if _may_count(words, counting) else words: meant
        for words, meant in phrases.items()
        if meant[0] not in ("numbers", "times")
    }
    return replace(language, phrases=counted)


_TELLING = {
    "every_other_day", "every_days", "weekly", "workdays", "weekend", "except", "days", "asked",
}  # fmt: skip
_UNMISTAKABLE = 5
"""Letters: a phrase of fewer may be a word of yet another language."""


def _tells(name: str, words: Sequence[str]) -> bool:
    """Whether a phrase is known for what it means wherever it stands."""
    return name in _TELLING and sum(len(w) for w in words if w.isalpha()) >= _UNMISTAKABLE


def _may_count(words: Sequence[str], counting: Container[str]) -> bool:
    """Whether there may be a number in a phrase; few have one, and looking for it takes long."""
    return any(word in counting or word[0].isdecimal() for word in words)


def day_named(day: str, phrase: str) -> str:
    """The day of the week that a phrase means, marked where it is too short to stand alone."""
    return f"{day}{ABBREVIATED}" if len(phrase) < _SHORT_DAY else day


def _spelled(phrase: str, pieces: Mapping[str, Sequence[str]]) -> Iterator[tuple[str, ...]]:
    """A phrase in all the ways that its pieces have."""
    named = _PIECE.findall(phrase)
    for chosen in product(*(pieces[name] for name in named)):
        whole = phrase
        for name, words in zip(named, chosen, strict=True):
            whole = whole.replace(f"{{{name}}}", words, 1)
        yield tuple(tokens_of(whole))


class Spoken(NamedTuple):
    """The words of an instruction, and the language of its resource where that is said."""

    words: str
    language: str = ""

    @classmethod
    def of(cls, words: str, language: str) -> "Spoken":
        """Words of a resource in a language, which is told without its region."""
        return cls(words, language.partition("-")[0].casefold())


def read_sig(spoken: Spoken, filler: re.Pattern[str], languages: Sequence[Language]) -> Sig | None:
    """Read an instruction whole, or not at all, in whatever language it is.

    `filler` is what may stand beside the dose in English.
    """
    if len(spoken.words) > LONGEST:
        return None
    meanings = dict(_meanings(spoken.words, filler, languages))
    if spoken.language in meanings:
        return meanings[spoken.language]
    first, *others = meanings.values() or [None]
    return first if all(other == first for other in others) else None


def _meanings(
    words: str, filler: re.Pattern[str], languages: Sequence[Language]
) -> Iterator[tuple[str, Sig | None]]:
    """What an instruction means in each language that reads it, or that knows not to."""
    if english := read_english(words, filler):
        yield "en", english
    tokens = tokens_of(words)
    spelled = {token for token in tokens if token.isalpha()}
    for language in languages:
        if spelled <= language.vocabulary:
            symbols = symbols_in(language, tokens) or ()
            sig = sig_of(symbols)
            if sig or any(kind == "asked" for kind, _ in symbols):
                yield language.code, sig


Counted = str | Fraction | tuple[str, Fraction]
"""A word, a number, or so many times."""


def _counted(language: Language, tokens: Sequence[str]) -> list[Counted]:
    """Numbers as numbers: digits, words, "1 1/2", and "2 x" as so many times."""
    found: list[Counted] = []
    place = 0
    while place < len(tokens):
        number, place_after = _number_at(language, tokens, place)
        if number is None:
            times = _longest(language.times, tokens, place, language.longest)
            found.append(("times", times[0]) if times else tokens[place])
            place = times[1] if times else place + 1
            continue
        place = place_after
        sign = next((s for s in language.signs if tuple(tokens[place : place + len(s)]) == s), None)
        found.append(("times", number) if sign else number)
        place += len(sign or ())
    return found


def _number_at(
    language: Language, tokens: Sequence[str], place: int
) -> tuple[Fraction | None, int]:
    named = _longest(language.numbers, tokens, place, language.longest)
    if named:
        return named
    number = _digits(tokens[place])
    after = _digits(tokens[place + 1]) if place + 1 < len(tokens) else None
    if number is not None and after is not None and number.denominator == 1 and 0 < after < 1:
        return (number + after, place + 2) if "/" in tokens[place + 1] else (number, place + 1)
    return number, place + 1


def _longest(
    known: Mapping[tuple[str, ...], Fraction], tokens: Sequence[str], place: int, most: int
) -> tuple[Fraction, int] | None:
    for length in range(min(most, len(tokens) - place), 0, -1):
        value = known.get(tuple(tokens[place : place + length]))
        if value is not None:
            return value, place + length
    return None


def _digits(token: str) -> Fraction | None:
    """A number; ``None`` where its comma or point may stand for thousands."""
    whole, _, part = token.replace(",", ".").partition(".")
    if not (token.isascii() and token[0].isdecimal()) or (
        "/" in token and (part or token not in ("1/2", "1/4", "3/4"))
    ):
        return None
    thousands = len(part) == 3 and int(whole) > 0
    return None if thousands or len(token) > 6 else Fraction(token.replace(",", "."))


def symbols_in(language: Language, tokens: Sequence[str]) -> list[Symbol] | None:
    """The phrases in their order, the longest at each place; ``None`` for a word of none."""
    counted = _counted(language, tokens)
    found: list[Symbol] = []
    place = 0
    while place < len(counted):
        for length in range(min(language.longest, len(counted) - place), 0, -1):
            run = counted[place : place + length]
            generic = tuple(map(_placeholder, run))
            meant = language.phrases.get(tuple(run)) or language.phrases.get(generic)
            if meant:
                counts = [c for c in run if not isinstance(c, str)]
                found.append(_with_count(meant, counts))
                break
        else:
            length = 1
            found.append(_sign(counted[place]))
        place += length
    return None if any(kind == "unknown" for kind, _ in found) else found


def _placeholder(one: Counted) -> str:
    return one if isinstance(one, str) else "{n}" if isinstance(one, Fraction) else "{t}"


def _with_count(meant: Symbol, counts: Sequence[Fraction | tuple[str, Fraction]]) -> Symbol:
    """The meaning of a phrase with the one number in it."""
    if meant[1] is not None or not counts:
        return meant
    count = counts[0]
    return meant[0], count if isinstance(count, Fraction) else count[1]


def _sign(one: Counted) -> Symbol:
    if isinstance(one, Fraction):
        return "number", one
    if isinstance(one, tuple):
        return one
    return {",": ("and", None), ";": ("and", None)}.get(
        one, (one if one in "()-" else "unknown", None)
    )
