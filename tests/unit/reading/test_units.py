"""Dose and laboratory units against an independent UCUM implementation (ucumvert over pint)."""

import tomllib
from fractions import Fraction
from typing import Any, TypedDict

import pytest
from tests.unit.reading.records import CODES, shipped
from ucumvert import PintUcumRegistry

from crossgrain.reading.code_tables import LabUnit, unit_spelling
from crossgrain.reading.codesystems import UCUM
from crossgrain.reading.labs import lab_factor
from crossgrain.reading.quantities import Dimension, unit_of_code, unit_of_word
from crossgrain.safety.facts import Analyte

REGISTRY = PintUcumRegistry()


def judged(code: str, base: str) -> float:
    quantity: Any = REGISTRY.from_ucum(code)
    return float(quantity.to(base).magnitude)


@pytest.mark.parametrize("code", ["ng", "ug", "mg", "g", "cg", "dg", "Mg", "10*-3.g", "ug{T4}"])
def test_masses_agree_with_the_judge(code: str) -> None:
    unit = unit_of_code(UCUM, code)
    assert unit is not None
    assert unit.dimension is Dimension.MASS
    assert float(unit.factor) == pytest.approx(judged(code, "microgram"), rel=1e-12)


@pytest.mark.parametrize("code", ["mL", "ml", "L", "dL", "cm3"])
def test_volumes_agree_with_the_judge(code: str) -> None:
    unit = unit_of_code(UCUM, code)
    assert unit is not None
    assert unit.dimension is Dimension.VOLUME
    assert float(unit.factor) == pytest.approx(judged(code, "milliliter"), rel=1e-12)


@pytest.mark.parametrize("code", ["cm", "h", "ug/h", "[iU]", "%", "garbage", "", "x" * 100, "mol"])
def test_what_is_no_mass_volume_or_piece_is_no_dose_unit(code: str) -> None:
    assert unit_of_code(UCUM, code) is None


@pytest.mark.parametrize("code", ["ug/{tbl}", "mg/{capsule}", "mg/{total}"])
def test_a_strength_is_no_dose_unit_though_the_judge_calls_it_a_mass(code: str) -> None:
    assert judged(code, "microgram")
    assert unit_of_code(UCUM, code) is None


def test_a_dose_in_ounces_is_no_power_of_ten_and_is_not_read() -> None:
    assert judged("[oz_av]", "gram") == pytest.approx(28.35, rel=1e-3)
    assert unit_of_code(UCUM, "[oz_av]") is None


def test_a_grain_is_the_labelled_grain_and_not_the_judges_mass() -> None:
    assert judged("[gr]", "milligram") == pytest.approx(64.79891)
    unit = unit_of_code(UCUM, "[gr]")
    assert unit is not None
    assert unit.dimension is Dimension.GRAIN


@pytest.mark.parametrize(
    ("code", "known"),
    [("TAB", True), ("ORTAB", True), ("CAP", True), ("SUPP", False)],
)
def test_pieces_of_the_orderable_drug_forms(code: str, known: bool) -> None:
    unit = unit_of_code("http://terminology.hl7.org/CodeSystem/v3-orderableDrugForm", code)
    assert (unit is not None) is known


def test_a_code_of_an_unknown_system_is_no_unit() -> None:
    assert unit_of_code("https://units.example", "mg") is None


@pytest.mark.parametrize(
    ("word", "micrograms"),
    [
        ("mcg", 1),
        ("MCG", 1),
        ("µg", 1),
        ("μg", 1),
        ("ug", 1),
        ("Micrograms", 1),
        ("mg", 1000),
        ("MG", 1000),
        ("Mg", 1000),
        ("milligram", 1000),
        ("g", 1_000_000),
        ("ng", Fraction(1, 1000)),
    ],
)
def test_written_masses_are_read_in_any_case(word: str, micrograms: Fraction) -> None:
    unit = unit_of_word(word)
    assert unit is not None
    assert (unit.dimension, unit.factor) == (Dimension.MASS, micrograms)


@pytest.mark.parametrize("word", ["TAB", "tab.", " Tablets ", "tablet(s)", "capsule", "{tbl}", "1"])
def test_written_pieces_are_read(word: str) -> None:
    unit = unit_of_word(word)
    assert unit is not None
    assert unit.dimension is Dimension.PIECE


@pytest.mark.parametrize("word", ["drop", "unit", "dose", "mcg/kg", ""])
def test_other_words_are_no_dose_unit(word: str) -> None:
    assert unit_of_word(word) is None


# The judge knows masses and moles; the molar masses are those of T4 and T3 (776.87 and 650.97
# g/mol, from the molecular formulae C15H11I4NO4 and C15H12I3NO4).
HORMONES = [
    (Analyte.FREE_T4, 776.87, 1e12),
    (Analyte.FREE_T3, 650.97, 1e12),
    (Analyte.TOTAL_T3, 650.97, 1e9),
    (Analyte.REVERSE_T3, 650.97, 1e9),
]


def factor_of(analyte: Analyte, spelled: str) -> Fraction | None:
    unit = CODES.lab_units.get(unit_spelling(spelled))
    return lab_factor(analyte, unit) if unit else None


@pytest.mark.parametrize(("analyte", "molar_mass", "kept_in"), HORMONES)
@pytest.mark.parametrize("code", ["ng/dL", "pg/mL", "ng/L", "ng/mL", "ug/L", "ug/dL", "pg/dL"])
def test_hormone_masses_agree_with_the_judge(
    analyte: Analyte, molar_mass: float, kept_in: float, code: str
) -> None:
    found = factor_of(analyte, code)
    assert found is not None
    moles_per_litre = judged(code, "gram / liter") / molar_mass
    assert float(found) == pytest.approx(moles_per_litre * kept_in, rel=1e-12)


@pytest.mark.parametrize(("analyte", "_", "kept_in"), HORMONES)
@pytest.mark.parametrize("code", ["pmol/L", "nmol/L", "fmol/L", "fmol/mL"])
def test_hormone_moles_agree_with_the_judge(
    analyte: Analyte, _: float, kept_in: float, code: str
) -> None:
    found = factor_of(analyte, code)
    assert found is not None
    assert float(found) == pytest.approx(judged(code, "mole / liter") * kept_in, rel=1e-12)


class UnitOfResults(TypedDict):
    counts: str
    ucum: str
    factor: str
    spelled: list[str]


UNITS: list[UnitOfResults] = tomllib.loads(shipped("codes.toml"))["unit"]
IN = {
    "arbitrary": "milliinternational_unit / liter",
    "mass": "nanogram / liter",
    "moles": "picomole / liter",
    "rate": "1 / minute",
    "weight": "kilogram",
}
"""What a unit of each property is told in, by the judge's names."""


@pytest.mark.parametrize("unit", UNITS, ids=[unit["ucum"] for unit in UNITS])
def test_every_unit_of_results_has_the_judges_factor(unit: UnitOfResults) -> None:
    written = float(Fraction(unit["factor"]))
    assert written == pytest.approx(judged(unit["ucum"], IN[unit["counts"]]), rel=1e-12)


SPELLED = [(unit, spelling) for unit in UNITS for spelling in unit["spelled"]]
LITRES = (
    ("/ml", "/dl"),
    ("/ml", "/l"),
    ("/dl", "/l"),
    ("/l", "/ml"),
    ("/l", "/dl"),
    ("/dl", "/ml"),
)
PREFIXES = (("u", "m"), ("m", "u"), ("mc", "m"), ("n", "p"), ("p", "n"), ("n", "u"), ("p", "f"))


@pytest.mark.parametrize(("unit", "spelling"), SPELLED)
def test_no_spelling_is_one_that_the_judge_reads_otherwise(
    unit: UnitOfResults, spelling: str
) -> None:
    """Most spellings are no UCUM; those that are must mean what they stand for."""
    try:
        meant = judged(spelling, IN[unit["counts"]])
    except Exception:  # whatever its parser, pint or Python raise
        return
    assert meant == pytest.approx(float(Fraction(unit["factor"])), rel=1e-12)


@pytest.mark.parametrize(("unit", "spelling"), SPELLED)
def test_a_spelling_one_prefix_or_one_volume_off_is_never_the_same_unit(
    unit: UnitOfResults, spelling: str
) -> None:
    plain = unit_spelling(spelling)
    own = CODES.lab_units[plain]
    assert own == LabUnit(unit["counts"], Fraction(unit["factor"]))
    slips = [plain.replace(a, b) for a, b in LITRES if plain.endswith(a)]
    slips += [b + plain.removeprefix(a) for a, b in PREFIXES if plain.startswith(a)]
    for slip in slips:
        assert slip == plain or CODES.lab_units.get(slip) != own, slip


@pytest.mark.parametrize(
    "spelling",
    ["U/L", "IU/L", "uIU/L", "µU/L", "mIU/mL", "mU/mL", "nIU/mL", "IU/mL", "mIU", "mIU/24h", "%",
     "pM", "nM", "ng%", "pmol/mL", "nmol/mL", "mg/dL", "mIU/dL", "m", "/L", "mmol/L", ""],
)  # fmt: skip
def test_a_unit_that_is_a_thousand_away_or_tells_no_volume_is_not_read(spelling: str) -> None:
    assert unit_spelling(spelling) not in CODES.lab_units


@pytest.mark.parametrize(
    "spelling",
    ["m[IU]/L", "mIU/L", "MIU/L", "mIU / L", "miu/l", "μIU/mL", "µIU/ml", "uIU per mL", "mcU/mL",
     "µU/mL", "mU/L", "mUI/L", "mIE/l", "u[iU]/mL", "micro IU/ml", "milli-international unit/L"],
)  # fmt: skip
def test_a_tsh_is_the_same_however_its_unit_is_spelled(spelling: str) -> None:
    assert factor_of(Analyte.TSH, spelling) == 1
    assert factor_of(Analyte.FREE_T4, spelling) is None


def test_pounds_agree_with_the_judge() -> None:
    found = factor_of(Analyte.WEIGHT, "[lb_av]")
    assert found is not None
    assert float(found) == pytest.approx(judged("[lb_av]", "kilogram"), rel=1e-12)
