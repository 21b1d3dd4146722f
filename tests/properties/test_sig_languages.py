"""Sigs composed from a language's file: read as what they were composed from, or asked about."""

import tomllib
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from tests.budget import examples
from tests.unit.reading.records import CODES, shipped

from crossgrain.reading.quantities import Dimension
from crossgrain.reading.schedule import WEEK
from crossgrain.reading.sig_languages import tokens_of

read_sig = CODES.phrases.read_sig
LANGUAGES = {language.code: language for language in CODES.phrases.languages}
TABLES: dict[str, dict[str, Any]] = {
    code: tomllib.loads(shipped(f"sigs/{code}.toml")) for code in LANGUAGES
}
OFTEN = {
    "daily": Fraction(1),
    "every_other_day": Fraction(1, 2),
    "weekly": Fraction(1, 7),
    "workdays": Fraction(5, 7),
    "weekend": Fraction(2, 7),
}
DIGITS = {"1/2": Fraction(1, 2), "½": Fraction(1, 2), "1": Fraction(1), "1½": Fraction(3, 2),
          "1,5": Fraction(3, 2), "2": Fraction(2)}  # fmt: skip
STRANGE = ("qwyx", "jeweils", "environ", "circa", "ongeveer", "ungefär", "zhruba", "około", "%")


@dataclass(frozen=True)
class Composed:
    """Pieces of an instruction, and the truth."""

    language: str
    amount: str
    often: str
    fillers: tuple[str, ...]
    meant: tuple[Dimension, Fraction, Fraction]

    def in_order(self, *, often_first: bool) -> str:
        pair = (self.often, self.amount) if often_first else (self.amount, self.often)
        return " ".join((*pair, *self.fillers))


def spelled(table: dict[str, Any], phrase: str, draw: st.DrawFn) -> str:
    """A phrase with its pieces and numbers chosen; the one number of a rhythm stays open."""
    for name, words in table.get("pieces", {}).items():
        while f"{{{name}}}" in phrase:
            phrase = phrase.replace(f"{{{name}}}", draw(st.sampled_from(words)), 1)
    return phrase


@st.composite
def often(draw: st.DrawFn, table: dict[str, Any]) -> tuple[str, Fraction]:
    """How often, in words of the file, and times a day."""
    kinds = [name for name in (*OFTEN, "times_a_day", "times_a_week", "every_days", "moments",
                               "days", "except") if name in table]  # fmt: skip
    kind = draw(st.sampled_from(kinds))
    if kind == "moments":
        times = draw(st.sampled_from([k for k in table["moments"] if k != "source"]))
        return draw(st.sampled_from(table["moments"][times])), Fraction(1)
    if kind in ("days", "except"):
        return draw(on_days(table, kind))
    phrase = draw(st.sampled_from(table[kind]["phrases"]))
    if kind in OFTEN:
        return phrase, OFTEN[kind]
    count = draw(st.integers(2, 3))
    sign = draw(st.sampled_from(table["times_sign"]["phrases"]))
    phrase = phrase.replace("{t}", f"{count} {sign}").replace("{n}", str(count))
    per_day = {"times_a_day": Fraction(count), "times_a_week": Fraction(count, 7),
               "every_days": Fraction(1, count)}[kind]  # fmt: skip
    return phrase, per_day


@st.composite
def on_days(draw: st.DrawFn, table: dict[str, Any], kind: str) -> tuple[str, Fraction]:
    first, last = sorted(draw(st.sets(st.integers(0, 6), min_size=2, max_size=2)))
    names = [table["days"][WEEK[day]][0] for day in (first, last)]
    joint = draw(st.sampled_from(table["and"]["phrases"]))
    if kind == "except":
        daily = draw(st.sampled_from(table["daily"]["phrases"]))
        word = draw(st.sampled_from(table["except"]["phrases"]))
        return f"{daily} {word} {names[0]} {joint} {names[1]}", Fraction(5, 7)
    if draw(st.booleans()):
        to = draw(st.sampled_from(table["to"]["phrases"]))
        return f"{names[0]} {to} {names[1]}", Fraction(last - first + 1, 7)
    return f"{names[0]} {joint} {names[1]}", Fraction(2, 7)


@st.composite
def composed(draw: st.DrawFn) -> Composed:
    code = draw(st.sampled_from(sorted(TABLES)))
    table = TABLES[code]
    unit = draw(st.sampled_from(["piece", "microgram"]))
    if unit == "microgram":
        count = draw(st.sampled_from([25, 75, 112]))
        number, value = str(count), Fraction(count)
    else:
        words = {w: Fraction(n) for n, ws in table["numbers"].items() if n != "source" for w in ws}
        number, value = draw(st.sampled_from([*DIGITS.items(), *words.items()]))
    amount = f"{number} {draw(st.sampled_from(table[unit]['phrases']))}"
    phrase, per_day = draw(often(table))
    fillers = draw(st.lists(st.sampled_from(table["filler"]["phrases"]), max_size=2))
    meant = (Dimension.PIECE if unit == "piece" else Dimension.MASS, value, per_day)
    said = tuple(spelled(table, filler, draw).replace("{n}", "30") for filler in fillers)
    return Composed(code, amount, phrase, said, meant)


def meaning(words: str, language: str = "") -> tuple[Dimension, Fraction, Fraction] | None:
    sig = read_sig(words, language)
    if sig is None:
        return None
    (part,) = sig.parts
    return part.amount.dimension, part.amount.value, part.schedule.per_day


@examples(400)
@given(composed(), st.booleans(), st.booleans())
def test_a_sig_composed_from_a_file_means_what_it_was_composed_from_or_is_asked(
    sig: Composed, often_first: bool, told: bool
) -> None:
    words = sig.in_order(often_first=often_first)
    assert meaning(words, sig.language if told else "") in (None, sig.meant)


@examples(400)
@given(composed(), st.sampled_from(STRANGE), st.integers(0, 12), st.booleans())
def test_a_sig_with_one_word_that_is_not_in_the_file_is_asked(
    sig: Composed, strange: str, place: int, told: bool
) -> None:
    words = sig.in_order(often_first=False).split()
    words.insert(min(place, len(words)), strange)
    assert read_sig(" ".join(words), sig.language if told else "") is None


@examples(400)
@given(composed(), st.sampled_from(sorted(TABLES)), st.data())
def test_a_sig_with_a_word_of_another_language_is_asked_or_read_in_one_that_has_them_all(
    sig: Composed, other: str, data: st.DataObject
) -> None:
    foreign = sorted(LANGUAGES[other].vocabulary - LANGUAGES[sig.language].vocabulary)
    assume(foreign)
    words = sig.in_order(often_first=False).split()
    place = data.draw(st.integers(0, len(words)))
    words.insert(place, data.draw(st.sampled_from(foreign)))
    spelled = {token for token in tokens_of(" ".join(words)) if token.isalpha()}
    whole = [code for code in LANGUAGES if spelled <= LANGUAGES[code].vocabulary]
    assert sig.language not in whole
    assert whole or read_sig(" ".join(words), sig.language) is None


@pytest.mark.parametrize("code", sorted(TABLES))
def test_every_rhythm_of_a_file_is_read_beside_one_tablet(code: str) -> None:
    """So that no phrase is shut out by another, and none has a second meaning by its words."""
    table = TABLES[code]
    tablet = f"1 {table['piece']['phrases'][0]}"
    for kind, per_day in OFTEN.items():
        for phrase in table.get(kind, {"phrases": []})["phrases"]:
            assert meaning(f"{tablet} {phrase}", code) == (Dimension.PIECE, 1, per_day), phrase
    for key, phrases in table["moments"].items():
        for phrase in phrases if key != "source" else ():
            assert meaning(f"{tablet} {phrase}", code) == (Dimension.PIECE, 1, 1), phrase
    for key, phrases in table["days"].items():
        for phrase in phrases if key != "source" else ():
            seventh = None if len(phrase) < 3 else (Dimension.PIECE, 1, Fraction(1, 7))
            assert meaning(f"{tablet} {phrase}", code) == seventh, phrase


@pytest.mark.parametrize("code", sorted(TABLES))
def test_every_filler_of_a_file_leaves_a_daily_tablet_as_it_is(code: str) -> None:
    table = TABLES[code]
    daily = f"1 {table['piece']['phrases'][0]} {table['daily']['phrases'][0]}"
    for phrase in table["filler"]["phrases"]:
        filled = phrase.replace("{n}", "30")
        for name, words in table["pieces"].items():
            filled = filled.replace(f"{{{name}}}", words[0])
        assert meaning(f"{daily} {filled}", code) == (Dimension.PIECE, 1, 1), phrase


@pytest.mark.parametrize("code", sorted(TABLES))
def test_what_bears_on_the_taking_is_never_read(code: str) -> None:
    table = TABLES[code]
    daily = f"1 {table['piece']['phrases'][0]} {table['daily']['phrases'][0]}"
    for phrase in table["asked"]["phrases"]:
        assert read_sig(f"{daily} {phrase}", code) is None
        assert read_sig(f"{phrase} {daily}", code) is None
