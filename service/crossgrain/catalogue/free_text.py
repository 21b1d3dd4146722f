"""What is heard in free text: the words that deny, and the phrases that stand beside a dose."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from crossgrain.catalogue.decoding import FileForm, Listed, Text, decoded
from crossgrain.names.numbers import exact_number, refuse
from crossgrain.reading.denials import Clause, Denials, Phrase, Phrases
from crossgrain.reading.hearing import Phrasebook
from crossgrain.reading.sig_languages import Language, day_named, language_of


class _Words(FileForm):
    words: Listed[Text]
    source: Text


class _Keys(FileForm):
    keys: Listed[Text]
    source: Text


class _Denials(FileForm):
    no: _Words
    denies: _Words
    family: _Words
    after: _Words
    between: _Words
    between_more: _Words
    follows: _Words
    listed: _Words
    doubt: _Words
    relieving: _Keys


class _Pieces(FileForm):
    """What a phrase names in braces; a piece may name those before it."""

    number: Text
    count: Text
    time: Text
    meal: Text
    binder: Text
    someone: Text
    source: Text


class _Patterns(FileForm):
    phrases: Listed[Text]
    source: Text


class _OwnPatterns(FileForm):
    opening: Text
    phrases: Listed[Text]
    notes: Listed[Text]
    source: Text


class _PhraseFile(FileForm):
    pieces: _Pieces
    filler: _Patterns
    own: _OwnPatterns
    harmless: _Patterns
    denying: _Patterns
    bearing: _Patterns
    neutral: _Patterns
    in_a_name: _Patterns
    begins: _Patterns


class _Moments(FileForm):
    morning: Listed[Text]
    source: Text
    noon: tuple[Text, ...] = ()
    evening: tuple[Text, ...] = ()
    night: tuple[Text, ...] = ()


class _Days(FileForm):
    mon: Listed[Text]
    tue: Listed[Text]
    wed: Listed[Text]
    thu: Listed[Text]
    fri: Listed[Text]
    sat: Listed[Text]
    sun: Listed[Text]
    source: Text


_Numbers = dict[str, str | tuple[Text, ...]]
PLAIN = (
    "piece", "microgram", "milligram", "and_a_half", "times_sign", "daily", "times_a_day",
    "every_other_day", "every_days", "every_hours", "weekly", "times_a_week", "workdays",
    "weekend", "from_", "to", "and_", "except_", "filler", "asked",
)  # fmt: skip


class _LanguageFile(FileForm, rename=lambda name: name.rstrip("_")):
    """The phrases of one language by what they mean; a table that it does not have is not read."""

    language: Text
    name: Text
    pieces: dict[str, Listed[Text]]
    numbers: _Numbers
    piece: _Patterns
    microgram: _Patterns
    milligram: _Patterns
    times_sign: _Patterns
    daily: _Patterns
    times_a_day: _Patterns
    every_other_day: _Patterns
    moments: _Moments
    days: _Days
    to: _Patterns
    and_: _Patterns
    except_: _Patterns
    filler: _Patterns
    asked: _Patterns
    times: _Numbers | None = None
    and_a_half: _Patterns | None = None
    every_days: _Patterns | None = None
    every_hours: _Patterns | None = None
    weekly: _Patterns | None = None
    times_a_week: _Patterns | None = None
    workdays: _Patterns | None = None
    weekend: _Patterns | None = None
    from_: _Patterns | None = None


def denials_from(content: Mapping[str, object]) -> Denials:
    """Check the words that deny a condition.

    Raises
    ------
    DomainError
        naming the list, where one is missing, unknown, empty or holds what is no text.
    """
    file = decoded(content, _Denials)
    return Denials(
        before={kind: _phrases(getattr(file, kind), kind) for kind in ("no", "denies", "family")},
        after=_phrases(file.after, "after"),
        between=_phrases(file.between, "between"),
        between_more=_phrases(file.between_more, "between_more"),
        follows=_phrases(file.follows, "follows"),
        listed=_phrases(file.listed, "listed"),
        doubt=_phrases(file.doubt, "doubt"),
        relieving=frozenset(file.relieving.keys),
    )


def _phrases(entry: _Words, section: str) -> Phrases:
    phrases: dict[str, tuple[Phrase, ...]] = {}
    for number, written in enumerate(entry.words, start=1):
        phrase = Clause.of(written).words
        if not phrase:
            refuse(f"{section}.words[{number}]", "there is no word in it")
        phrases[phrase[0]] = (*phrases.get(phrase[0], ()), phrase)
    return phrases


def phrasebook_from(
    content: Mapping[str, object], languages: tuple[Language, ...] = ()
) -> Phrasebook:
    """Check the phrases of instructions, each a pattern; `languages` are others than English.

    Raises
    ------
    DomainError
        naming the phrase that is no pattern, and what `decoding.decoded` refuses.
    """
    file = decoded(content, _PhraseFile)
    pieces = _pieces(file.pieces)
    own, filler, harmless, denying, bearing, neutral, in_a_name, begins = (
        _any_of(getattr(file, name).phrases, pieces) for name in _LISTS
    )
    try:
        return Phrasebook(
            filler=filler,
            own=own,
            opening=_pattern(file.own.opening, pieces),
            harmless=harmless,
            denying=denying,
            bearing=bearing,
            neutral=neutral,
            in_a_name=in_a_name,
            own_notes=_any_of(file.own.notes, {}),
            begins=begins,
            languages=languages,
        )
    except re.error:
        for place, pattern in patterns_in(content):
            _check(pattern, place)
        raise


_LISTS = (
    "own", "filler", "harmless", "denying", "bearing", "neutral", "in_a_name", "begins",
)  # fmt: skip


def patterns_in(content: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """Every pattern of the file of phrases by itself, and its place.

    Joined they are compiled at every start, each by itself only to name the one at fault.
    """
    file = decoded(content, _PhraseFile)
    pieces = _pieces(file.pieces)
    yield from ((f"pieces.{name}", pattern) for name, pattern in pieces.items())
    yield "own.opening", _pattern(file.own.opening, pieces)
    for name in _LISTS:
        for number, phrase in enumerate(getattr(file, name).phrases, start=1):
            yield f"{name}.phrases[{number}]", _pattern(phrase, pieces)
    for number, note in enumerate(file.own.notes, start=1):
        yield f"own.notes[{number}]", note


def language_from(content: Mapping[str, object]) -> Language:
    """Check the phrases of instructions in one language.

    Raises
    ------
    DomainError
        naming the table or the phrase: one without a source, one with two meanings, a piece that
        is not in the file, and what `decoding.decoded` refuses.
    """
    file = decoded(content, _LanguageFile)
    try:
        return language_of(file.language, _meanings(file), file.pieces)
    except ValueError as twice:
        refuse("", f"the phrase {twice} has two meanings")
    except KeyError as unknown:
        refuse("pieces", f"{unknown} is named in a phrase, and is missing")


def _meanings(file: _LanguageFile) -> Iterator[tuple[str, Any, str]]:
    """Table, value and words of every phrase."""
    for table in (*PLAIN, "moments", "days", "numbers", "times"):
        entry = getattr(file, table)
        if isinstance(entry, _Patterns):
            yield from ((table.rstrip("_"), None, phrase) for phrase in entry.phrases)
        elif isinstance(entry, dict):
            yield from _by_value(table, entry)
        elif entry is not None:
            for key in (each for each in entry.__struct_fields__ if each != "source"):
                for phrase in getattr(entry, key):
                    value = day_named(key, phrase) if table == "days" else key
                    yield table, value, phrase


def _by_value(
    table: str, entry: Mapping[str, str | tuple[str, ...]]
) -> Iterator[tuple[str, Any, str]]:
    """The same of a table whose keys are numbers."""
    if not isinstance(entry.get("source"), str):
        refuse(table, "source is missing")
    for key, phrases in entry.items():
        if key != "source":
            number = exact_number(key, f"{table}.{key}")
            yield from ((table, number, phrase) for phrase in phrases)


def _pieces(written: _Pieces) -> dict[str, str]:
    pieces: dict[str, str] = {}
    for name in ("number", "count", "time", "meal", "binder", "someone"):
        pieces[name] = _pattern(getattr(written, name), pieces)
    return pieces


def _any_of(written: tuple[str, ...], pieces: Mapping[str, str]) -> str:
    """One pattern for all of a list, the first that fits before the others."""
    return "|".join(_pattern(phrase, pieces) for phrase in written)


def _pattern(written: str, pieces: Mapping[str, str]) -> str:
    """A phrase with its pieces in their places."""
    pattern = written
    for name, piece in pieces.items():
        pattern = pattern.replace(f"{{{name}}}", piece)
    return pattern


def _check(pattern: str, place: str) -> None:
    try:
        re.compile(pattern)
    except re.error as wrong:
        refuse(place, f"this is no pattern: {wrong}")
