"""A denial in free text is not heard as what it denies; an assertion, and any doubt, is."""

import subprocess
import sys
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.reading.records import Json, condition, read, shipped

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.free_text import denials_from
from crossgrain.names.errors import DomainError
from crossgrain.reading.denials import Clause

CONCERNS = load_catalogue().codes.concerns
WORDS = tomllib.loads(shipped("denials.toml"))


def keys(words: str) -> set[str]:
    return set(CONCERNS.conditions.keys_of_text(words))


# The first four are kinds of sentences of Chapman et al., J Biomed Inform 2001;34:301-10, from
# memory; the ICD-10-CM titles from its tabular list; the rest common practice in notes, no source.
@pytest.mark.parametrize(
    "words",
    [
        "No angina",
        "Denies palpitations",
        "Negative for atrial fibrillation",
        "No evidence of heart failure",
        "no history of myocardial infarction",
        "denies chest pain, palpitations, or syncope",
        "Denies palpitations and atrial fibrillation",
        "No palpitations or atrial fibrillation",
        "no angina/palpitations",
        "never had a heart attack",
        "Family history of myocardial infarction",
        "Family history of ischemic heart disease and other diseases of the circulatory system",
        "FH: MI",
        "Myocardial infarction in father",
        "Angina: no",
        "Angina (denied).",
        "angina ruled out",
        "Palpitations? No",
        "heart failure is not present",
        "Osteoporosis absent, last scan 2024",
        "Not pregnant",
        "no plans for pregnancy",
        "not planning pregnancy",
        "keine Hypothyreose",
        "sin hipotiroidismo",
        "keine Schwangerschaft",
        "nicht schwanger",
        "pas enceinte",
        "pas de fibrillation auriculaire",
        "no embarazada",
        "geen zwangerschap",
        "niet zwanger",
        "kein Kinderwunsch",
    ],
)
def test_what_is_surely_denied_is_not_heard(words: str) -> None:
    assert not keys(words)


@pytest.mark.parametrize(
    ("words", "key"),
    [
        ("Angina", "angina"),
        ("Angina.", "angina"),
        ("PMH: angina", "angina"),
        ("No change in angina", "angina"),
        ("Angina - no change", "angina"),
        ("angina, no palpitations", "angina"),
        ("angina not ruled out", "angina"),
        ("cannot exclude unstable angina", "unstable-angina"),
        ("rule out myocardial infarction", "myocardial-infarction"),
        ("no angina since the stent", "angina"),
        ("no heart failure exacerbation", "heart-failure"),
        ("no new palpitations", "palpitations"),
        ("no longer any palpitations", "palpitations"),
        ("No palpitations, atrial fibrillation", "atrial-fibrillation"),
        ("No palpitations; atrial fibrillation", "atrial-fibrillation"),
        ("No palpitations. Atrial fibrillation.", "atrial-fibrillation"),
        ("denies palpitations but has atrial fibrillation", "atrial-fibrillation"),
        ("denies palpitations and has atrial fibrillation", "atrial-fibrillation"),
        ("No palpitations and atrial fibrillation", "atrial-fibrillation"),
        ("no palpitations, atrial fibrillation or flutter on ECG", "atrial-fibrillation"),
        ("denies palpitations or atrial fibrillation since ablation", "atrial-fibrillation"),
        ("Family history of stroke, atrial fibrillation", "atrial-fibrillation"),
        ("Pregnancy No. 2", "pregnant"),
        ("non-STEMI", "myocardial-infarction"),
        ("Osteoporosis without current pathological fracture", "osteoporosis"),
        ("Absence of thyroid", "thyroidectomy"),
        ("Atherosclerotic heart disease without angina pectoris", "coronary-disease"),
        ("possible central hypothyroidism", "central-hypothyroidism"),
    ],
)
def test_what_is_asserted_or_in_doubt_is_heard(words: str, key: str) -> None:
    assert key in keys(words)


# From memory: the names of the diagnoses in each language.
@pytest.mark.parametrize(
    ("key", "names"),
    [
        ("pregnant", "Schwangerschaft, 12. Woche|Grossesse|Embarazo|Gravidanza|Zwangerschap|Ciąża"),
        (
            "adrenal-insufficiency",
            "Nebennierenrindeninsuffizienz (Morbus Addison)|Insuffisance surrénale chronique"
            "|Insuficiencia suprarrenal|Morbo di Addison|Bijnierinsufficiëntie|Choroba Addisona"
            "|Maladie d’Addison",
        ),
        (
            "myocardial-infarction",
            "Myokardinfarkt|Antécédent d'infarctus du myocarde|Infarto agudo de miocardio"
            "|Infarto miocardico|Hartinfarct|Zawał serca",
        ),
        (
            "atrial-fibrillation",
            "Vorhofflimmern|Fibrillation auriculaire|Fibrilación auricular|Fibrillazione atriale"
            "|Boezemfibrilleren|Migotanie przedsionków|Vorhofflimmern nicht ausgeschlossen",
        ),
        (
            "heart-failure",
            "Herzinsuffizienz|Insuffisance cardiaque|Insuficiencia cardíaca|Scompenso cardiaco"
            "|Hartfalen|Niewydolność serca",
        ),
        ("unstable-angina", "Instabile Angina pectoris|Angor instable|Angina inestable"),
        ("thyrotoxicosis", "Hyperthyreose|Maladie de Basedow|Hipertiroidismo|Ipertiroidismo"),
        ("central-hypothyroidism", "Zentrale Hypothyreose|Hypopituitarisme|Hipopituitarismo"),
        ("osteoporosis", "Osteoporose|Ostéoporose|Osteoporosi|Osteoporoza"),
    ],
)
def test_what_stops_or_holds_a_move_is_heard_in_other_languages(key: str, names: str) -> None:
    assert {name for name in names.split("|") if key not in keys(name)} == set()


def test_a_history_is_not_a_denial() -> None:
    assert keys("history of atrial fibrillation") == {"atrial-fibrillation"}
    assert keys("history of MI") == {"old-myocardial-infarction"}


@pytest.mark.parametrize(
    "words", ["rule out hypothyroidism", "?hypothyroidism", "hypothyroidism unlikely",
              "screening for hypothyroidism", "suspected hypothyroidism"],
)  # fmt: skip
def test_a_diagnosis_in_doubt_does_not_explain_the_hormone(words: str) -> None:
    assert not keys(words)


def test_every_condition_of_one_text_is_heard() -> None:
    assert keys("Atrial fibrillation and heart failure") == {"atrial-fibrillation", "heart-failure"}


def test_a_text_is_heard_alike_whatever_the_seed_of_the_process() -> None:
    """Two names of one length overlap here: the dangerous one comes first in the text."""
    script = (
        "from crossgrain.catalogue import load_catalogue\n"
        "conditions = load_catalogue().codes.concerns.conditions\n"
        "print(*conditions.keys_of_text('Unstable angina pectoris'))"
    )
    for seed in "012":
        said = subprocess.run(
            [sys.executable, "-c", script],
            env={"PYTHONHASHSEED": seed}, capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert said.stdout.split() == ["unstable-angina"]


def test_a_medicine_or_an_allergy_that_is_denied_is_not_heard_either() -> None:
    assert not CONCERNS.medicines.keys_of_text("multivitamin without iron")
    assert CONCERNS.medicines.keys_of_text("multivitamin with iron") == ("iron",)
    assert not CONCERNS.allergies.keys_of_text("No known allergy to pork")
    assert CONCERNS.allergies.keys_of_text("Allergy to pork") == ("pork",)


def with_words(words: str) -> Json:
    return {**condition(), "code": {"text": words}}


def test_a_denied_condition_is_listed_as_not_taken_for_it() -> None:
    record = read(with_words("No angina"))
    assert record.facts.conditions == ()
    assert [u for u in record.unread if "deny" in u.why]


def test_a_code_outweighs_the_words_beside_it() -> None:
    coded = {**condition("194828000")}
    coded["code"]["text"] = "no angina"
    conditions = read(coded).facts.conditions
    assert [known.key for known in conditions or ()] == ["angina"]


NAMES = sorted(
    " ".join(phrase) for names in CONCERNS.conditions.by_text.values() for phrase, _ in names
)


@given(
    st.sampled_from(NAMES), st.sampled_from(WORDS["denies"]["words"]), st.sampled_from([*".;", ""])
)
def test_every_name_is_denied_by_every_word_that_denies(name: str, word: str, end: str) -> None:
    assert not keys(f"{word} {name}{end}")


@given(st.sampled_from(NAMES), st.sampled_from(["known", "stable", "longstanding", ""]))
def test_no_name_is_passed_over_where_nothing_denies_it(name: str, before: str) -> None:
    assert keys(f"{before} {name}")


@given(st.text(max_size=60))
def test_any_text_is_taken_apart_without_loss(words: str) -> None:
    said = Clause.of(words)
    assert len(said.gaps) == len(said.words) + 1


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"no": {"words": [], "source": "s"}}, "no.words"),
        ({"no": {"words": ["?"], "source": "s"}}, "no.words[1]"),
        ({"no": {"words": [1], "source": "s"}}, "no.words[1]"),
        ({"no": {"words": ["no"]}}, "no.source"),
        ({"no": ["no"]}, "no"),
        ({"no": {"words": ["no"], "source": "s", "whose": "s"}}, "no.whose"),
        ({"relieving": {"words": ["x"], "source": "s"}}, "relieving.words"),
        ({"nope": {"words": ["no"], "source": "s"}}, "nope"),
    ],
)
def test_a_faulty_list_of_words_is_refused_by_its_place(change: Json, field: str) -> None:
    with pytest.raises(DomainError) as refused:
        denials_from({**WORDS, **change})
    assert refused.value.field == field
