"""The code tables against public sources, named beside each table."""

import tomllib
from fractions import Fraction

import pytest
from tests.unit.reading.records import CODES, PREPARATIONS, shipped

from crossgrain.dosing.preparations import Kind
from crossgrain.names.errors import DomainError
from crossgrain.reading.codesystems import Atc, Code, Icd10, Loinc, Ndc, RxNorm, Snomed
from crossgrain.safety.facts import Analyte

# Value set 2.16.840.1.113883.3.464.1003.196.12.1354 (desiccated thyroid), mg → RxNorm.
DESICCATED = """
15 314267 · 16.25 728581 · 30 313387 · 32.5 347151 · 48.75 1099948 · 60 313391 · 65 313396 ·
81.25 1537811 · 90 313393 · 97.5 1041814 · 113.75 1537803 · 120 208545 · 130 198277 ·
146.25 1537807 · 162.5 1537767 · 180 198278 · 195 315234 · 240 313385 · 260 313386 ·
300 315235 · 325 313389
"""
# NDC directory as published by openFDA: labels that hold one strength carry one RxNorm code, e.g.
# product 51655-985 (25 µg, 966220), 82804-246 (125 µg, 966224), 68071-3730 (150 µg, 966225),
# 51655-579 (112 µg, 966248), 70518-4401 (100 µg, 892246), 68788-7764 (175 µg, 966249). 966222
# (75 µg) and 966253 (88 µg): public value sets of clinical drugs. 966221 and 966270 are the two
# codes left for 50 and 137 µg in the label of 51655-453; public lists pair 966221 with 0.05 mg.
LEVOTHYROXINE = """
12.5 966280 · 25 966220 · 50 966221 · 75 966222 · 88 966253 · 100 892246 · 112 966248 ·
125 966224 · 137 966270 · 150 966225 · 175 966249
"""
# NDC directory: 68071-3571 (5 µg, 903456), 43063-884 (25 µg, 903697), 59762-1207 (5, 25, 50 µg).
LIOTHYRONINE = "5 903456 · 25 903697 · 50 903703"


def pairs(text: str) -> list[tuple[Fraction, str]]:
    rows = [row.split() for row in text.split("·")]
    return [(Fraction(strength), code) for strength, code in rows]


DRUGS = [
    *((Kind.DESICCATED_THYROID, *pair) for pair in pairs(DESICCATED)),
    *((Kind.LEVOTHYROXINE, *pair) for pair in pairs(LEVOTHYROXINE)),
    *((Kind.LIOTHYRONINE, *pair) for pair in pairs(LIOTHYRONINE)),
]


@pytest.mark.parametrize(("kind", "strength", "code"), DRUGS)
def test_a_clinical_drug_code_means_its_strength_both_ways(
    kind: Kind, strength: Fraction, code: str
) -> None:
    meaning = CODES.medicines[RxNorm.system][code]
    assert (meaning.kind, meaning.strength) == (kind, strength)
    assert meaning.preparation is not None
    written = CODES.codes_for(meaning.preparation, strength).drug
    assert written is not None
    assert written.code == RxNorm(code)


def test_every_desiccated_code_is_of_the_family_whose_tablets_it_names() -> None:
    for strength, code in pairs(DESICCATED):
        preparation = CODES.medicines[RxNorm.system][code].preparation
        assert preparation is not None
        assert strength in preparation.strengths


def test_no_other_clinical_drug_is_shipped_than_those_that_were_checked() -> None:
    shipped_codes = {entry["rxnorm"] for entry in tomllib.loads(shipped("codes.toml"))["drug"]}
    assert shipped_codes == {code for _, _, code in DRUGS}


@pytest.mark.parametrize("strength", [200, 300])
def test_a_strength_whose_code_was_not_verified_is_written_with_the_ingredient(
    strength: int,
) -> None:
    codes = CODES.codes_for(PREPARATIONS["levothyroxine"], Fraction(strength))
    assert codes.drug is None
    assert codes.ingredient is not None
    assert codes.ingredient.code == RxNorm("10582")


@pytest.mark.parametrize("code", ["892251", "892255"])
def test_a_tablet_of_unverified_strength_is_known_as_levothyroxine_alone(code: str) -> None:
    meaning = CODES.medicines[RxNorm.system][code]
    assert (meaning.kind, meaning.strength) == (Kind.LEVOTHYROXINE, None)


# WHO ATC/DDD index.
@pytest.mark.parametrize(
    ("code", "kind"),
    [
        ("H03AA01", Kind.LEVOTHYROXINE),
        ("H03AA02", Kind.LIOTHYRONINE),
        ("H03AA03", Kind.FIXED_RATIO),
        ("H03AA05", Kind.DESICCATED_THYROID),
    ],
)
def test_atc_names_the_four_kinds(code: str, kind: Kind) -> None:
    assert CODES.medicines[Atc.system][code].kind is kind


# LOINC.
@pytest.mark.parametrize(
    ("code", "analyte", "counts"),
    [
        ("3016-3", Analyte.TSH, "arbitrary"),
        ("11580-8", Analyte.TSH, "arbitrary"),
        ("11579-0", Analyte.TSH, "arbitrary"),
        ("3015-5", Analyte.TSH, "arbitrary"),
        ("3024-7", Analyte.FREE_T4, "mass"),
        ("14920-3", Analyte.FREE_T4, "moles"),
        ("3051-0", Analyte.FREE_T3, "mass"),
        ("14928-6", Analyte.FREE_T3, "moles"),
        ("3053-6", Analyte.TOTAL_T3, "mass"),
        ("3052-8", Analyte.REVERSE_T3, "mass"),
        ("8867-4", Analyte.HEART_RATE, "rate"),
        ("29463-7", Analyte.WEIGHT, "weight"),
    ],
)
def test_loinc_names_the_analytes(code: str, analyte: Analyte, counts: str) -> None:
    assert (CODES.labs[code].analyte, CODES.labs[code].kind) == (analyte, counts)


# Forms and check digits: RxNorm and LOINC documentation; SNOMED CT identifiers (Verhoeff).
@pytest.mark.parametrize(
    ("system", "value"),
    [
        (RxNorm, "966222"),
        (Snomed, "40930008"),
        (Snomed, "414545008"),
        (Atc, "H03AA01"),
        (Atc, "H03"),
        (Loinc, "3016-3"),
        (Ndc, "0781-5189-92"),
        (Ndc, "00781518992"),
        (Icd10, "E03.9"),
        (Icd10, "E039"),
    ],
)
def test_a_code_of_the_right_form_is_taken(system: type[Code], value: str) -> None:
    assert system(value).value == value


@pytest.mark.parametrize(
    ("system", "value"),
    [
        (RxNorm, "0123"),
        (RxNorm, "H03AA01"),
        (RxNorm, "3016-3"),
        (Snomed, "40930009"),
        (Snomed, "4093008"),
        (Snomed, "12345"),
        (Atc, "H03AA1"),
        (Atc, "h03aa01"),
        (Loinc, "3016-4"),
        (Loinc, "30163"),
        (Ndc, "0781-5189-9200"),
        (Icd10, "03.9"),
        (RxNorm, "１２３"),
    ],
)
def test_a_code_of_another_form_is_refused(system: type[Code], value: str) -> None:
    with pytest.raises(DomainError, match=r"not the form of|check digit .* is wrong"):
        system(value)


def test_a_code_of_one_system_is_no_code_of_another() -> None:
    assert RxNorm("40930008") != Snomed("40930008")
