"""What thyroid hormones are called in the records of other countries, and what only looks so."""

import unicodedata
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossgrain.dosing.preparations import Kind
from crossgrain.reading.hormone_names import is_for_thyroid, looks_like_hormone
from crossgrain.reading.names import read_name, read_product_words
from crossgrain.reading.quantities import Amount, Dimension

LT4, LT3, GLAND = Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE, Kind.DESICCATED_THYROID
# English, French, Spanish and Latin: international nonproprietary names. The rest from memory.
GENERIC = {
    **dict.fromkeys(
        (
            "Levothyroxin-Natrium", "Levothyroxinnatrium", "L-Thyroxin", "L Thyroxin", "Thyroxin",
            "Levotyroxinnatrium", "lévothyroxine sodique", "levotiroxina sódica", "levotiroxina",
            "levothyroxinum natricum", "levothyroxine sodium", "thyroxine", "levo-thyroxine",
            "tiroxina", "levotyroksin", "levotyroksinnatrium", "levotyroxin", "tyroxin",
            "levothyroxinenatrium", "levothyroxine natrium", "lewotyroksyna sodowa",
            "sodná sůl levothyroxinu", "Levotyroxín", "levotyroksiininatrium", "levotiroksin",
            "levotiroxină sodică", "levotiroxina sodica", "левотироксин натрия", "λεβοθυροξίνη",
            "LEVOTHYROXINE", "levo\u00adthyroxine", "levothyroxine\u00a0sodium", "L\u2011Thyroxin",
        ),
        LT4,
    ),
    **dict.fromkeys(
        (
            "Liothyronin", "Liothyroninnatrium", "liothyronine sodique", "liotironina",
            "liothyroninum natricum", "liotironina sódica", "liotyronin", "liotyronina",
            "liotyroniini", "liotironin", "Trijodthyronin", "triyodotironina", "trijodotyronina",
            "tri-iodothyronine", "лиотиронин",
        ),
        LT3,
    ),
    **dict.fromkeys(
        (
            "Schilddrüsenextrakt", "Schilddruesenextrakt", "tiroides desecada", "thyroideum siccum",
            "thyroïde desséchée", "extrait thyroïdien", "poudre de thyroïde", "tiroide secca",
            "tireoide dessecada", "schildklierextract", "sköldkörtelextrakt",
            "skjoldbruskkirtelekstrakt", "skjoldbruskkjertelekstrakt", "wyciąg z tarczycy",
        ),
        GLAND,
    ),
}  # fmt: skip


@pytest.mark.parametrize("form", ["NFC", "NFD"])
@pytest.mark.parametrize(("name", "kind"), GENERIC.items())
def test_a_generic_name_of_any_common_language_is_known(name: str, kind: Kind, form: str) -> None:
    for words in (name, f"{name} 100", name.upper(), f"1x {name}, tab"):
        found = read_name(unicodedata.normalize(form, words))  # type: ignore[arg-type]
        assert found is not None, words
        assert found.kinds == {kind}, words


@pytest.mark.parametrize(
    "name", ["lévothyroxine sodique", "levotiroxina sódica", "thyroïde desséchée"]
)
def test_a_name_is_known_without_its_accents(name: str) -> None:
    bare = "".join(c for c in unicodedata.normalize("NFD", name) if not unicodedata.combining(c))
    found, accented = read_name(bare), read_name(name)
    assert found is not None
    assert accented is not None
    assert found.kinds == accented.kinds


LOOKS_SO = (
    "dextrothyroxine", "D-thyroxine", "tiratricol", "thyroglobulin", "thyro-complex 100",
    "throid 60 mg", "T3 5 mcg", "thyreoidea comp.", "Schilddrüsentabletten", "tarczyca",
    "for hypothyroidism",
)  # fmt: skip


@pytest.mark.parametrize("words", LOOKS_SO)
def test_what_looks_like_a_hormone_and_is_not_known_has_no_kind(words: str) -> None:
    found = read_name(words)
    assert found is not None
    assert found.kinds == frozenset()


# From memory: generic names in wide use, those most like a hormone's name first.
OTHERS = """
thyrotropin alfa|thyrotropin|antithyroid agent|antithyroid tablets|parathyroid hormone|tirofiban|
thyroid eye disease antibody|tyrosine|tirosina|N-acetyl-L-tyrosine|tyrothricin|tirotricina|
protirelin|thiamazole|methimazole|carbimazole|propylthiouracil|tyrosin|hydroxyzine|hidroxizina|
pyridoxine|piridoxina|levofloxacin|levocetirizine|levodopa|levonorgestrel|levetiracetam|fluoxetine|
duloxetine|paroxetine|naloxone|digoxin|tiotropium|tiamine|thiamine|theophylline|erythromycin|
azithromycin|clarithromycin|metyrapone|sodium butyrate|clobetasone butyrate|butyrophenone|
gamma-butirolactona|antirotavirus vaccine|prednisone|steroid|sterol|android|thymoglobulin|thymol|
methylprednisolone|ethyl loflazepate|liraglutide|lidocaine|lithium carbonate|lisinopril|lorazepam|
risedronate|alendronate|calcitonin|calcitriol|cholecalciferol|teriparatide|metformin|warfarin|
amlodipine|atorvastatin|simvastatin|omeprazole|pantoprazole|sertraline|amiodarone|propranolol|
hydrocortisone|estradiol|testosterone|ibuprofen|paracetamol|acetaminophen|codeine|tramadol|insulin|
aspirin|ramipril|candesartan|bisoprolol|furosemide|spironolactone|salbutamol|budesonide|cetirizine|
loratadine|montelukast|gabapentin|pregabalin|quetiapine|olanzapine|risperidone|clozapine|haloperidol|
zolpidem|mirtazapine|citalopram|venlafaxine|trazodone|donepezil|memantine|ropinirole|pramipexole|
tamsulosin|finasteride|oxybutynin|sildenafil|methotrexate|tacrolimus|ciclosporin|azathioprine|
iron|ferrous sulfate|calcium carbonate|magnesium oxide|potassium iodide|selenium|zinc|biotin
""".replace("\n", "").split("|")


@pytest.mark.parametrize("words", OTHERS)
def test_what_is_clearly_no_thyroid_hormone_is_not_asked_about(words: str) -> None:
    assert read_name(f"{words} 10 mg tablet") is None
    assert read_name(words) is None


@given(st.sampled_from(sorted(GENERIC)), st.data())
def test_a_letter_left_out_of_a_long_name_does_not_hide_it(name: str, data: st.DataObject) -> None:
    long = max(name.split(), key=len)
    if len(long) < 10 or not long.isascii():
        return
    at = data.draw(st.integers(0, len(long) - 1))
    assert looks_like_hormone((long[:at] + long[at + 1 :]).casefold())


@pytest.mark.parametrize(
    "words",
    [
        "Take 1 tablet by mouth daily for thyroid", "1 tab daily for your low thyroid",
        "for hypothyroidism", "für die Schilddrüse", "pour la thyroïde", "para el tiroides",
        "til lavt stofskifte", "voor de schildklier",
    ],
)  # fmt: skip
def test_an_instruction_may_say_that_it_is_for_the_thyroid(words: str) -> None:
    assert is_for_thyroid(words)


@pytest.mark.parametrize(
    "words",
    [
        "Take 4 hours apart from thyroid medicine", "1 tablet daily", "for hyperthyroidism",
        "for thyroid eye disease", "for parathyroid", "with food, for pain",
    ],
)  # fmt: skip
def test_an_instruction_that_only_names_the_thyroid_is_no_reason(words: str) -> None:
    assert not is_for_thyroid(words)


@pytest.mark.parametrize(
    "words",
    [
        "Levothyroxin 500 µg Injektionslösung",
        "levotiroxina 100 mcg inyectable",
        "L-Thyroxin Ampullen",
    ],
)
def test_a_form_that_is_not_swallowed_is_seen_in_other_languages(words: str) -> None:
    found = read_name(words)
    assert found is not None
    assert found.not_oral


@pytest.mark.parametrize(
    "words",
    ["Levothyroxin 100 µg / Kaliumjodid 100 µg", "lévothyroxine et iodure", "Iodid-Ion, L-Thyroxin",
     "levotiroxina y yoduro de potasio", "levothyroxine + iodine"],
)  # fmt: skip
def test_iodide_beside_the_hormone_is_seen_in_other_languages(words: str) -> None:
    found = read_name(words)
    assert found is not None
    assert found.iodide


@pytest.mark.parametrize(
    "unit",
    ["Mikrogramm", "microgramos", "microgramo", "microgrammi", "microgramas", "mikrogram",
     "mikrogramů", "mikrogramów", "mikrogramy", "microgrammes", "mcg", "µg"],
)  # fmt: skip
@pytest.mark.parametrize("space", ["", " "])
def test_a_strength_is_read_in_the_microgram_of_each_language(unit: str, space: str) -> None:
    (amount,) = read_product_words(f"levothyroxine 75{space}{unit} tablet").strengths
    assert amount == Amount(Dimension.MASS, Fraction(75))


@pytest.mark.parametrize("unit", ["miligramos", "Milligramm", "mikro", "grammi", "mikrogrammes"])
def test_another_unit_is_not_taken_for_it(unit: str) -> None:
    assert read_product_words(f"levothyroxine 75 {unit} tablet").strengths == ()
