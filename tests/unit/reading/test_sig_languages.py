"""Sigs in other languages: read whole, asked where a word is open, never half read.

The sentences are ordinary ones of prescriptions and patient leaflets (from memory).
"""

import tomllib
from fractions import Fraction
from typing import Any

import pytest
from tests.unit.reading.records import (
    CODES,
    DAILY,
    LT4,
    LT4_100,
    ONE,
    asked,
    dosage,
    read,
    shipped,
    statement,
    ucum,
)

from crossgrain.catalogue.free_text import language_from, phrasebook_from
from crossgrain.names.errors import DomainError
from crossgrain.reading.quantities import Dimension
from crossgrain.reading.sig_languages import Language

read_sig = CODES.phrases.read_sig
P, M = Dimension.PIECE, Dimension.MASS
READ = {
    "de": {
        "1x1 tgl.": (P, 1, 1),
        "1 Tablette täglich": (P, 1, 1),
        "1 Tbl. tgl.": (P, 1, 1),
        "1x täglich 1 Tablette nüchtern": (P, 1, 1),
        "Täglich morgens eine Tablette mindestens 30 Minuten vor dem Frühstück": (P, 1, 1),
        "morgens 1 Tabl. auf nüchternen Magen mit einem Glas Wasser": (P, 1, 1),
        "1-0-0 Tabl. nüchtern": (P, 1, 1),
        "1-0-0-0 Stück": (P, 1, 1),
        "½ Tablette jeden zweiten Tag": (P, "1/2", "1/2"),
        "jeden 2. Tag 1 Tablette": (P, 1, "1/2"),
        "eineinhalb Tabletten täglich": (P, "3/2", 1),
        "1,5 Tabletten täglich": (P, "3/2", 1),
        "0,075 mg täglich": (M, 75, 1),
        "75 µg einmal täglich": (M, 75, 1),
        "1 Tablette (75 µg) täglich": (P, 1, 1),
        "5 µg 2x täglich, morgens und abends": (M, 5, 2),
        "1 Tablette Mo-Fr": (P, 1, "5/7"),
        "1 Tablette von Montag bis Samstag": (P, 1, "6/7"),
        "1 Tablette Mo, Mi und Fr": (P, 1, "3/7"),
        "täglich 1 Tablette außer sonntags": (P, 1, "6/7"),
        "1 Tablette täglich außer Samstag und Sonntag": (P, 1, "5/7"),
        "1 morgens": (P, 1, 1),
        "1 Tablette 5x pro Woche": (P, 1, "5/7"),
    },
    "fr": {
        "1 comprimé par jour": (P, 1, 1),
        "1 cp/j": (P, 1, 1),
        "1 cp le matin à jeun": (P, 1, 1),
        "Prendre un comprimé tous les matins à jeun, 30 minutes avant le petit déjeuner": (P, 1, 1),
        "un demi-comprimé par jour": (P, "1/2", 1),
        "un comprimé et demi par jour": (P, "3/2", 1),
        "75 microgrammes une fois par jour": (M, 75, 1),
        "1 comprimé un jour sur deux": (P, 1, "1/2"),
        "1 comprimé tous les 2 jours": (P, 1, "1/2"),
        "1 comprimé du lundi au vendredi": (P, 1, "5/7"),
        "1 comprimé par jour sauf le dimanche": (P, 1, "6/7"),
        "1 cp matin et soir": (P, 1, 2),
    },
    "es": {
        "1 comp/24h": (P, 1, 1),
        "1 comprimido a la mañana": (P, 1, 1),
        "1 comprimido al día": (P, 1, 1),
        "Tomar una tableta diaria en ayunas": (P, 1, 1),
        "1 tableta cada 24 horas": (P, 1, 1),
        "1 comprimido c/24 h": (P, 1, 1),
        "tomar un comprimido una vez al día 30 minutos antes del desayuno": (P, 1, 1),
        "1 comprimido y medio al día": (P, "3/2", 1),
        "medio comprimido en días alternos": (P, "1/2", "1/2"),
        "100 mcg cada día por la mañana": (M, 100, 1),
        "1 tableta de lunes a viernes": (P, 1, "5/7"),
        "1 tableta diaria excepto los domingos": (P, 1, "6/7"),
    },
    "it": {
        "1 compressa al giorno": (P, 1, 1),
        "1 cpr/die": (P, 1, 1),
        "1 cp al mattino a digiuno": (P, 1, 1),
        "una compressa al mattino, 30 minuti prima di colazione": (P, 1, 1),
        "una compressa e mezza al giorno": (P, "3/2", 1),
        "mezza compressa a giorni alterni": (P, "1/2", "1/2"),
        "100 microgrammi una volta al giorno": (M, 100, 1),
        "1 compressa dal lunedì al venerdì": (P, 1, "5/7"),
        "1 compressa tutti i giorni tranne la domenica": (P, 1, "6/7"),
    },
    "nl": {
        "1 tablet per dag": (P, 1, 1),
        "1x daags 1 tablet": (P, 1, 1),
        "1 dd 1 tablet nuchter": (P, 1, 1),
        "1dd1": (P, 1, 1),
        "'s ochtends 1 tablet op de nuchtere maag innemen": (P, 1, 1),
        "eenmaal daags 75 microgram, een half uur voor het ontbijt": (M, 75, 1),
        "1 tablet om de dag": (P, 1, "1/2"),
        "anderhalve tablet per dag": (P, "3/2", 1),
        "1 tablet op maandag, woensdag en vrijdag": (P, 1, "3/7"),
        "1 tablet van maandag t/m zaterdag": (P, 1, "6/7"),
        "dagelijks 1 tablet behalve op zondag": (P, 1, "6/7"),
    },
    "da": {
        "1 tablet x 1": (P, 1, 1),
        "1 tablet daglig": (P, 1, 1),
        "1 tablet 1 gang dagligt mod lavt stofskifte": (P, 1, 1),
        "1 tablet hver morgen på tom mave": (P, 1, 1),
        "en halv tablet hver anden dag": (P, "1/2", "1/2"),
        "50 mikrogram dagligt en halv time før morgenmaden": (M, 50, 1),
        "1 tablet mandag, onsdag og fredag": (P, 1, "3/7"),
        "1 tablet dagligt undtagen søndag": (P, 1, "6/7"),
    },
    "sv": {
        "1 tablett x 1": (P, 1, 1),
        "1 tablett dagligen": (P, 1, 1),
        "1 tablett 1 gång per dag": (P, 1, 1),
        "1 tablett varje morgon på fastande mage": (P, 1, 1),
        "1 tablett varannan dag": (P, 1, "1/2"),
        "en och en halv tablett dagligen": (P, "3/2", 1),
        "75 mikrogram dagligen": (M, 75, 1),
        "1 tablett måndag till fredag": (P, 1, "5/7"),
        "1 tablett dagligen utom söndag": (P, 1, "6/7"),
    },
    "nb": {
        "1 tablett x 1": (P, 1, 1),
        "1 tablett daglig": (P, 1, 1),
        "1 tablett 1 gang daglig mot lavt stoffskifte": (P, 1, 1),
        "1 tablett om morgenen på tom mage": (P, 1, 1),
        "1 tablett annenhver dag": (P, 1, "1/2"),
        "1 tablett hver dag unntatt søndag": (P, 1, "6/7"),
        "1 tablett mandag til fredag": (P, 1, "5/7"),
    },
    "pt": {
        "1 comprimido por dia": (P, 1, 1),
        "Tomar 1 comprimido em jejum, pela manhã": (P, 1, 1),
        "1 comprimido ao dia, 30 minutos antes do café da manhã": (P, 1, 1),
        "meio comprimido em dias alternados": (P, "1/2", "1/2"),
        "1 comprimido e meio ao dia": (P, "3/2", 1),
        "100 mcg uma vez ao dia": (M, 100, 1),
        "1 comprimido de segunda a sexta": (P, 1, "5/7"),
        "1 comprimido todos os dias exceto domingo": (P, 1, "6/7"),
    },
    "cs": {
        "1 tableta od pondělí do pátku": (P, 1, "5/7"),
        "1 tableta denně": (P, 1, 1),
        "1x denně 1 tbl": (P, 1, 1),
        "1 tbl. ráno nalačno": (P, 1, 1),
        "užívat jednu tabletu denně 30 minut před jídlem": (P, 1, 1),
        "půl tablety obden": (P, "1/2", "1/2"),
        "75 mikrogramů jednou denně": (M, 75, 1),
        "1 tbl Po-Pá": (P, 1, "5/7"),
        "1 tableta denně kromě neděle": (P, 1, "6/7"),
        "1 tableta v pondělí, ve středu a v pátek": (P, 1, "3/7"),
    },
    "pl": {
        "1 tabletka dziennie": (P, 1, 1),
        "1x1 tabl. dziennie na czczo": (P, 1, 1),
        "1 tabl. raz dziennie rano na czczo": (P, 1, 1),
        "przyjmować jedną tabletkę rano, 30 minut przed śniadaniem": (P, 1, 1),
        "pół tabletki co drugi dzień": (P, "1/2", "1/2"),
        "75 mikrogramów raz na dobę": (M, 75, 1),
        "1 tabletka od poniedziałku do piątku": (P, 1, "5/7"),
        "1 tabletka codziennie oprócz niedzieli": (P, 1, "6/7"),
    },
}
CASES = [(code, words) for code, table in READ.items() for words in table]


@pytest.mark.parametrize(("code", "words"), CASES)
def test_a_sig_of_a_language_is_read_whole(code: str, words: str) -> None:
    dimension, amount, per_day = READ[code][words]
    sig = read_sig(words)
    assert sig is not None
    (part,) = sig.parts
    assert (part.amount.dimension, part.amount.value) == (dimension, Fraction(amount))
    assert part.schedule.per_day == Fraction(per_day)


def test_every_language_that_is_shipped_stands_in_the_table() -> None:
    assert set(READ) == {language.code for language in CODES.phrases.languages}


ASKED = [
    # no frequency, no amount, or a choice
    "1 Tablette",
    "1 Tablette vor dem Frühstück",
    "Tomar 1 comprimido en ayunas, media hora antes del desayuno",
    "Tablette täglich",
    "1-2 Tabletten täglich",
    "1 bis 2 Tabletten täglich",
    "2 x 1 Tablette täglich",
    "1x2 Tabletten täglich",
    "eine ½ ½ Tablette täglich",
    "2 halbe Tabletten täglich",
    "1 cp x 2/j",
    "2x1",
    "1x2",
    "1 tablett x 2",
    "1 tableta od pondělí",
    "1 comprimido a la mañana siguiente",
    # what bears on the taking
    "1 Tablette täglich bei Bedarf",
    "1 Tablette täglich, nicht sonntags",
    "1 Tablette morgen",
    "ne pas prendre 1 comprimé par jour",
    "1 comprimido al día hasta control",
    "1 tablett dagligen vid behov",
    "1 compressa al giorno dal lunedì",
    "1 tabletka dziennie od poniedziałku",
    "1 comprimé par jour du lundi",
    "1 Tablette täglich Montag",
    # numbers that may stand for thousands, or are slips
    "1,125 mg täglich",
    "1.000 µg täglich",
    "11/2 Tabletten täglich",
    "²/₃ Tablette täglich",
    # contradictions
    "2x täglich 1 Tablette morgens",
    "1 Tablette täglich jeden zweiten Tag",
    "1 Tablette 1x täglich 2x täglich",
    "1-0-0 Tablette abends",
    "1-0-0 zweimal täglich",
    "1 Tablette Mo-Fr, 2 Tabletten Fr-So",
    "Mo 1 Tablette, Di, Mi 2 Tabletten",
    "jeden zweiten Tag, 1 Tablette morgens, 1/2 Tablette abends",
    "3 Tabletten Mo-Fr außer Mi",
    "2 am Wochenende",
    "5 täglich",
    # one word of another language, or of none
    "1 Tablette täglich avant le repas",
    "1 tablet daily vor dem Frühstück",
    "1 comprimido al giorno",
    "1 Tablette qwyx täglich",
    # rhythms that two readers of one language take for two things
    "1 tablet om de twee dagen",
    "1 tableta cada tercer día",
    "1 Tablette werktags",
    "1 tablet på hverdage",
    # a day's abbreviation alone is a word of other languages
    "1 tab po",
    "1 tbl so",
    "1 tbl mo",
]


@pytest.mark.parametrize("words", ASKED)
def test_a_sig_that_leaves_a_choice_in_its_language_is_not_read_at_all(words: str) -> None:
    assert read_sig(words) is None


TOGETHER = {
    "Mo-Fr 1 Tablette, Sa-So ½ Tablette": "6/7",
    "1 comprimé du lundi au samedi et 2 comprimés le dimanche": "8/7",
    "1 tablet mandag til fredag, 2 tabletter lørdag og søndag": "9/7",
    "morgens 1 Tablette, abends ½ Tablette": "3/2",
    "1 cp le matin, 1/2 cp le soir": "3/2",
    "1-0-½ Tabl.": "3/2",
}


@pytest.mark.parametrize("words", TOGETHER)
def test_parts_of_a_week_or_of_a_day_come_to_all_of_them(words: str) -> None:
    sig = read_sig(words)
    assert sig is not None
    each = (part.amount.value * part.schedule.per_day for part in sig.parts)
    assert sum(each) == Fraction(TOGETHER[words])


OPEN = {
    "1 tabl morgen": {"da": 1, "nb": 1, "de": None, "nl": None},  # morning, and tomorrow
    "1 tbl So-Po": {"de": None, "cs": "3/7"},
}


def test_a_word_of_two_meanings_is_asked_about_unless_the_resource_says_its_language() -> None:
    assert read_sig("1 tabl morgen") is None
    for language, per_day in OPEN["1 tabl morgen"].items():
        sig = read_sig("1 tabl morgen", language)
        assert (sig and sig.parts[0].schedule.per_day) == per_day
    days = "1 tbl do, so"  # Thursday and Sunday in German; no days of Czech
    assert read_sig(days) == read_sig(days, "de")


def test_the_language_of_the_resource_reaches_its_words() -> None:
    taken = statement(LT4_100, {"text": "1 tabl morgen"})
    assert asked(read(taken)) == [f"{ONE}.dosage[0].text"]
    assert read({**taken, "language": "da-DK"}).regimen.t4_ug == 100
    assert asked(read({**taken, "language": "de"})) == [f"{ONE}.dosage[0].text"]


def test_words_of_another_language_beside_a_coded_dose_must_be_those_of_the_dose() -> None:
    coded = ucum(50, "ug")
    for words, open_ in (
        ("50 µg täglich", False),
        ("75 µg täglich", True),
        ("50 µg jeden zweiten Tag", True),
        ("50 microgrammi al giorno", False),
    ):
        record = read(statement(LT4, dosage(coded, text=words)))
        assert bool(record.questions) is open_


NOT_EVERY_DAY = ("every_other_day", "weekly", "workdays", "weekend", "asked", "except")
AS_IN_ANOTHER = {"morgen"}
"""Words of one language that are ordinary in another."""


def told_in(code: str) -> list[str]:
    """Every phrase of a language by which a dose is not one of every day, as a text of its own."""
    file: dict[str, Any] = tomllib.loads(shipped(f"sigs/{code}.toml"))
    sunday = file["days"]["sun"][0]
    return [
        f"{phrase} {sunday}" if table == "except" else phrase
        for table in NOT_EVERY_DAY
        for phrase in file.get(table, {}).get("phrases", ())
        if "{" not in phrase and phrase not in AS_IN_ANOTHER
    ]


@pytest.mark.parametrize("code", READ)
def test_what_a_file_knows_to_speak_against_a_daily_dose_is_asked_about_beside_one(
    code: str,
) -> None:
    for words in told_in(code):
        record = read(statement(LT4, dosage(ucum(100, "ug"), DAILY, text=words)))
        assert (words, len(record.questions)) == (words, 1)


def test_a_word_that_is_ordinary_in_another_language_is_to_be_confirmed() -> None:
    for words in AS_IN_ANOTHER:
        record = read(statement(LT4, dosage(ucum(100, "ug"), DAILY, text=words)))
        assert (len(record.questions), len(record.confirm)) == (0, 1)


FILE: dict[str, Any] = tomllib.loads(shipped("sigs/de.toml"))


@pytest.mark.parametrize(
    ("table", "changed", "place"),
    [
        ("dayly", {"source": "x", "phrases": ["zay"]}, "dayly"),
        ("daily", {"phrases": ["zay"]}, "daily.source"),
        ("daily", {"source": "x", "phrases": []}, "daily.phrases"),
        ("moments", {**FILE["moments"], "dawn": ["zoy"]}, "moments.dawn"),
        ("days", {**FILE["days"], "mon": []}, "days.mon"),
        ("numbers", {"1": ["ein"]}, "numbers"),
        ("numbers", {"source": "x", "one": ["ein"]}, "numbers.one"),
        ("weekly", {"source": "x", "phrases": ["täglich"]}, ""),
        ("filler", {"source": "x", "phrases": ["vor {feast}"]}, "pieces"),
    ],
)
def test_a_faulty_file_of_a_language_is_refused_by_its_place(
    table: str, changed: object, place: str
) -> None:
    with pytest.raises(DomainError) as refused:
        language_from({**FILE, table: changed})
    assert refused.value.field == place


def test_one_more_language_is_one_more_file() -> None:
    words = {"daily": {"source": "invented", "phrases": ["zay"]}}
    invented: Language = language_from({**FILE, **words, "language": "xx"})
    book = phrasebook_from(tomllib.loads(shipped("phrases.toml")), (invented,))
    assert book.read_sig("1 Tablette zay")
    assert read_sig("1 Tablette zay") is None
