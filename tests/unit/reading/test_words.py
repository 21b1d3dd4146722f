"""The grammars of sigs and of medicine names: what they read, and what they leave alone."""

import re
import tomllib
from fractions import Fraction
from typing import Any

import pytest
from tests.unit.reading.records import CODES, shipped

from crossgrain.catalogue.free_text import patterns_in, phrasebook_from
from crossgrain.dosing.preparations import Kind
from crossgrain.names.errors import DomainError
from crossgrain.reading.names import read_name
from crossgrain.reading.quantities import Dimension

PHRASES = CODES.phrases
READ = {
    "1 tab po qd": ("piece", 1, 1),
    "Take 1 tablet by mouth daily": ("piece", 1, 1),
    "Take one tablet by mouth once a day 30 minutes before breakfast.": ("piece", 1, 1),
    "1 TABLET DAILY BEFORE BREAKFAST": ("piece", 1, 1),
    "Take 1 and 1/2 tablets by mouth every morning on an empty stomach": ("piece", "3/2", 1),
    "1 1/2 tabs daily": ("piece", "3/2", 1),
    "½ tablet daily": ("piece", "1/2", 1),
    "2½ tablets daily": ("piece", "5/2", 1),
    "one half tablet daily": ("piece", "1/2", 1),
    "2 and a half tablets daily": ("piece", "5/2", 1),
    "one and a half tablets daily": ("piece", "3/2", 1),
    "half a tablet every other day": ("piece", "1/2", "1/2"),
    "Take a quarter tablet nightly": ("piece", "1/4", 1),
    "2 tabs b.i.d.": ("piece", 2, 2),
    "75mcg daily daily": ("mass", 75, 1),
    "0.075 mg p.o. q.d.": ("mass", 75, 1),
    "88mcg od": ("mass", 88, 1),
    ".1 mg daily": ("mass", 100, 1),
    "112 micrograms once daily": ("mass", 112, 1),
    "60 mg daily": ("mass", 60000, 1),
    "1.5 grains daily": ("grain", "3/2", 1),
    "5 mcg twice daily": ("mass", 5, 2),
    "5 mcg every 12 hours": ("mass", 5, 2),
    "5 mcg tid": ("mass", 5, 3),
    "100 mcg q2d": ("mass", 100, "1/2"),
    "100 mcg every 3 days": ("mass", 100, "1/3"),
    "1 tab 5 times a week": ("piece", 1, "5/7"),
    "100 mcg Monday, Wednesday and Friday": ("mass", 100, "3/7"),
    "100 mcg on weekdays": ("mass", 100, "5/7"),
    "100 mcg Mon-Fri": ("mass", 100, "5/7"),
    "100 mcg Sat through Mon": ("mass", 100, "3/7"),
    "700 mcg once weekly": ("mass", 700, "1/7"),
    "3 mL daily": ("volume", 3, 1),
    "1 tab daily except Sunday": ("piece", 1, "6/7"),
    "1 tab every morning and evening": ("piece", 1, 2),
    "1 tab in the morning, in the afternoon and at bedtime": ("piece", 1, 3),
    "1 tab in the afternoon": ("piece", 1, 1),
    "1 tab 4 times a day": ("piece", 1, 4),
    "100 mcg every 48 hours": ("mass", 100, "1/2"),
    "100 mcg 5x/week": ("mass", 100, "5/7"),
}


@pytest.mark.parametrize("words", READ)
def test_a_sig_of_the_grammar_is_read_whole(words: str) -> None:
    dimension, amount, per_day = READ[words]
    sig = PHRASES.read_sig(words)
    assert sig is not None
    (part,) = sig.parts
    assert part.amount.dimension == dimension
    assert part.amount.value == Fraction(amount)
    assert part.schedule.per_day == Fraction(per_day)


NOT_READ = [
    "",
    "as directed",
    "1 tab daily as directed",
    "1 tab daily as needed",
    "50 mcg daily then 100 mcg daily",
    "100-112 mcg daily",
    "take 1 to 2 tablets daily",
    "1 tab",
    "1 tab once",
    "daily",
    "increase to 100 mcg daily",
    "100 mcg daily for 2 weeks",
    "1/2 tab qd, 1 tab sundays",
    "take 1 tablet daily. take 2 tablets sunday",
    "1 tab daily 6 days a week",
    "1/0 tab daily",
    "100 mcg every 60 days",
    "5 mcg every 7 hours",
    "1 tab daily twice daily",
    "0,075 mg daily",
    "1,5 tab daily",
    "1-1/2 tab daily",
    "1/2-1 tab daily",
    "2 25 mcg tabs daily",
    "four 25 mcg tablets daily",
    "1 tab in the morning and 1 tab in the evening",
    "1 tab every day but sunday",
    "100 mcg qd x30",
    "100 mcg Mon-Fri weekends",
    "100 mcg mon and 50 mcg mon",
    "100 mcg daily and 50 mcg daily",
    "1 half tablet daily",
    "2 half tablets daily",
    "two half tablets daily",
    "two 1/2 tablets daily",
    "1 quarter tablet daily",
    "11/2 tablets daily",
    "1 drop daily",
    "1 tablet daily from 3 March 2025 to 16 March 2025 from 17 March 2025 to 18 March 2025",
    "1 tablet daily from 30 February 2025 to 16 March 2025",
    "1 tablet daily mon-fri mon-fri",
    "1 tablet (50 mcg) (50 mcg) daily",
    "x" * 1001,
]


@pytest.mark.parametrize("words", NOT_READ)
def test_a_sig_outside_the_grammar_is_not_read_at_all(words: str) -> None:
    assert PHRASES.read_sig(words) is None


@pytest.mark.parametrize(
    "words",
    [
        "100 mcg Mon-Fri and 50 mcg Sat-Sun",
        "100 mcg mon-fri, 50 mcg sat, sun",
        "Take 100 mcg weekdays; 50 mcg weekends",
    ],
)
def test_parts_on_days_that_do_not_meet_are_read_together(words: str) -> None:
    sig = PHRASES.read_sig(words)
    assert sig is not None
    weekly = sum(p.amount.value * p.schedule.per_day * 7 for p in sig.parts)
    assert weekly == 600


def test_the_dates_of_an_instruction_are_those_that_it_names() -> None:
    sig = PHRASES.read_sig("1 tablet daily from 3 March 2025 to 16 December 2025")
    assert sig is not None
    assert sig.parts[0].dates == ("2025-03-03", "2025-12-16")


def test_the_mass_in_brackets_is_kept_beside_the_tablets() -> None:
    for words in ("1 tablet (75 mcg) daily", "Take 2 tablets (150 mcg total) daily"):
        sig = PHRASES.read_sig(words)
        assert sig is not None
        mass = sig.parts[0].mass
        assert mass is not None
        assert mass.value in (75, 150)


NAMES: dict[str, tuple[Kind, list[tuple[Dimension, int | str]]]] = {
    "Levothyroxine Sodium 0.075 MG Oral Tablet": (Kind.LEVOTHYROXINE, [(Dimension.MASS, 75)]),
    "levothyroxine 112 mcg": (Kind.LEVOTHYROXINE, [(Dimension.MASS, 112)]),
    "L-thyroxine 50 µg": (Kind.LEVOTHYROXINE, [(Dimension.MASS, 50)]),
    "lévothyroxine": (Kind.LEVOTHYROXINE, []),
    "levothyroxinum natricum": (Kind.LEVOTHYROXINE, []),
    "LT4": (Kind.LEVOTHYROXINE, []),
    "liothyronine sodium 5 mcg tablet": (Kind.LIOTHYRONINE, [(Dimension.MASS, 5)]),
    "triiodothyronine": (Kind.LIOTHYRONINE, []),
    "thyroid (USP) 32.5 MG Oral Tablet": (Kind.DESICCATED_THYROID, [(Dimension.MASS, 32500)]),
    "thyroid 60 mg tab": (Kind.DESICCATED_THYROID, [(Dimension.MASS, 60000)]),
    "Thyroid, 1.5 grains": (Kind.DESICCATED_THYROID, [(Dimension.GRAIN, "3/2")]),
    "thyroid 1 1/2 grain": (Kind.DESICCATED_THYROID, [(Dimension.GRAIN, "3/2")]),
    "thyroid 1½ grain tab": (Kind.DESICCATED_THYROID, [(Dimension.GRAIN, "3/2")]),
    "thyroid 1 and 1/2 grain": (Kind.DESICCATED_THYROID, [(Dimension.GRAIN, "3/2")]),
    "thyroid 1 & 1/2 grain": (Kind.DESICCATED_THYROID, [(Dimension.GRAIN, "3/2")]),
    "desiccated thyroid one and a half grains": (
        Kind.DESICCATED_THYROID,
        [(Dimension.GRAIN, "3/2")],
    ),
    "desiccated thyroid 1,5 grain": (Kind.DESICCATED_THYROID, []),
    "desiccated thyroid 1-1/2 grain": (Kind.DESICCATED_THYROID, []),
    "levothyroxine 0,075 mg": (Kind.LEVOTHYROXINE, []),
    "levothyroxine 50-75 mcg": (Kind.LEVOTHYROXINE, []),
    "levothyroxine 2 25 mcg tablets": (Kind.LEVOTHYROXINE, []),
    "levothyroxine 100 mcg daily": (Kind.LEVOTHYROXINE, []),
    "levothyroxine 100 mcg/day": (Kind.LEVOTHYROXINE, []),
    "thyroid tablets 1/2 grain": (Kind.DESICCATED_THYROID, [(Dimension.GRAIN, "1/2")]),
    "desiccated thyroid": (Kind.DESICCATED_THYROID, []),
    "thyroid, porcine": (Kind.DESICCATED_THYROID, []),
}


@pytest.mark.parametrize("words", NAMES)
def test_a_generic_name_is_known_with_its_strength(words: str) -> None:
    kind, strengths = NAMES[words]
    found = read_name(words)
    assert found is not None
    assert found.kinds == {kind}
    assert [(a.dimension, a.value) for a in found.strengths] == [
        (dimension, Fraction(value)) for dimension, value in strengths
    ]


@pytest.mark.parametrize(
    "words",
    [
        "lisinopril 10 mg",
        "thyrotropin alfa",
        "antithyroid agent",
        "thyroid stimulating hormone",
        "thyroid peroxidase antibody",
        "prednisone",
        "",
    ],
)
def test_other_names_are_no_thyroid_hormone(words: str) -> None:
    assert read_name(words) is None


def test_a_pair_of_numbers_is_two_contents_and_no_ratio() -> None:
    found = read_name("levothyroxine and liothyronine 4:1 100/25 microgram tablet")
    assert found is not None
    assert [amount.value for amount in found.strengths] == [100, 25]


@pytest.mark.parametrize(
    ("words", "per_ml"),
    [("levothyroxine 25 mcg/mL oral solution", 25), ("levothyroxine 100 mcg/5 mL", 20)],
)
def test_a_concentration_is_read(words: str, per_ml: int) -> None:
    found = read_name(words)
    assert found is not None
    assert found.per_ml == (per_ml,)


@pytest.mark.parametrize("words", ["1 tab qds", "tidy up, then 1 tab", "1 tab qdam", "1 tab bidx"])
def test_the_beginning_of_a_longer_word_is_no_frequency(words: str) -> None:
    assert PHRASES.heard_in(words).schedules == ()
    assert PHRASES.read_sig(words) is None


FILE: dict[str, Any] = tomllib.loads(shipped("phrases.toml"))


@pytest.mark.parametrize(
    ("section", "key", "value", "place"),
    [
        ("filler", "phrases", [], "filler.phrases"),
        ("filler", "phrases", ["by mouth", "(by"], "filler.phrases[2]"),
        ("filler", "phrases", ["by mouth", " "], "filler.phrases[2]"),
        ("filler", "words", ["by mouth"], "filler.words"),
        ("own", "opening", "[", "own.opening"),
        ("own", "notes", ["(?P<x"], "own.notes[1]"),
        ("pieces", "colour", "red", "pieces.colour"),
        ("pieces", "number", "(", "pieces.number"),
    ],
)
def test_a_faulty_phrase_is_refused_by_its_place(
    section: str, key: str, value: object, place: str
) -> None:
    with pytest.raises(DomainError) as refused:
        phrasebook_from({**FILE, section: {**FILE[section], key: value}})
    assert refused.value.field == place


@pytest.mark.parametrize(("place", "pattern"), list(patterns_in(FILE)))
def test_each_phrase_is_a_pattern_by_itself(place: str, pattern: str) -> None:
    """At a start they are compiled as one, where a bracket of one could close that of another."""
    assert re.compile(pattern).match("") is None, place


@pytest.mark.parametrize("section", list(FILE))
def test_a_section_of_phrases_that_is_missing_is_refused(section: str) -> None:
    with pytest.raises(DomainError) as refused:
        phrasebook_from({name: each for name, each in FILE.items() if name != section})
    assert refused.value.field == section


def test_phrases_are_read_by_the_book_that_is_given_and_by_no_other() -> None:
    other = phrasebook_from({**FILE, "filler": {"phrases": ["with jam"], "source": "invented"}})
    assert other.read_sig("1 tablet daily with jam")
    assert PHRASES.read_sig("1 tablet daily with jam") is None
    assert other.read_sig("1 tablet by mouth daily") is None
