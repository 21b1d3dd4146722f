"""What is heard in free text: the words that deny, and the phrases that stand beside a dose."""

import re
from collections.abc import Mapping

from crossgrain.catalogue.decoding import FileForm, Listed, Text, decoded
from crossgrain.names.numbers import refuse
from crossgrain.reading.denials import Clause, Denials, Phrase, Phrases
from crossgrain.reading.hearing import Phrasebook


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
    bearing: _Patterns
    neutral: _Patterns
    begins: _Patterns


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


def phrasebook_from(content: Mapping[str, object]) -> Phrasebook:
    """Check the phrases of instructions, each a pattern.

    Raises
    ------
    DomainError
        naming the phrase that is no pattern, and what `decoding.decoded` refuses.
    """
    file = decoded(content, _PhraseFile)
    pieces = _pieces(file.pieces)
    own, filler, harmless, bearing, neutral, begins = (
        _any_of(getattr(file, name).phrases, pieces, f"{name}.phrases")
        for name in ("own", "filler", "harmless", "bearing", "neutral", "begins")
    )
    return Phrasebook(
        filler=filler,
        own=own,
        opening=_pattern(file.own.opening, pieces, "own.opening"),
        harmless=harmless,
        bearing=bearing,
        neutral=neutral,
        own_notes=_any_of(file.own.notes, {}, "own.notes"),
        begins=begins,
    )


def _pieces(written: _Pieces) -> dict[str, str]:
    pieces: dict[str, str] = {}
    for name in ("number", "count", "time", "meal", "binder", "someone"):
        pieces[name] = _pattern(getattr(written, name), pieces, f"pieces.{name}")
    return pieces


def _any_of(written: tuple[str, ...], pieces: Mapping[str, str], place: str) -> str:
    """One pattern for all of a list, the first that fits before the others."""
    return "|".join(
        _pattern(phrase, pieces, f"{place}[{number}]")
        for number, phrase in enumerate(written, start=1)
    )


def _pattern(written: str, pieces: Mapping[str, str], place: str) -> str:
    """A phrase with its pieces in their places."""
    pattern = written
    for name, piece in pieces.items():
        pattern = pattern.replace(f"{{{name}}}", piece)
    try:
        re.compile(pattern)
    except re.error as wrong:
        refuse(place, f"this is no pattern: {wrong}")
    return pattern
