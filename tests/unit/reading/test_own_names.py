"""A clinic's own products by name: whole, with a strength in the name, and within longer words."""

import tomllib
from typing import Any

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    PREPARATIONS,
    TABLET,
    Json,
    asked,
    bundle,
    doses,
    encoded,
    statement,
)

from crossgrain.catalogue.codes import OwnProducts, with_products
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Record

OURS = """
[[alias]]
text = "Tarnsel"
preparation = "levothyroxine"

[[alias]]
text = "Tarn Blue 75"
preparation = "levothyroxine"
strength = "75"

[[alias]]
text = "Tarn Green {strength} microgram tablets"
preparation = "liothyronine"
strengths = ["5", "20"]

[[alias]]
text = "Tarn Red {strength} mg"
preparation = "levothyroxine"
strengths = ["75", "112.5"]

[[alias]]
text = "Tarn Grain {strength} grain tablets"
preparation = "desiccated-thyroid-60"
strengths = ["30", "60"]

[[other]]
text = "Tarn Vitamins"

[[product]]
system = "https://products.example/"
code = " B75 "
preparation = "levothyroxine"
strength = "75"
display = "Tarn Blue"
source = "our formulary"
"""


def with_own(written: str) -> CodeTables:
    own: dict[str, Any] = {key: tuple(held) for key, held in tomllib.loads(written).items()}
    return with_products(CODES, OwnProducts(**own), PREPARATIONS)


OWN = with_own(OURS)


def reading(concept: Json) -> Record:
    content = parse(encoded(bundle(statement(concept, TABLET))))
    return read_record(
        content, version=FhirVersion.R4, as_of=AS_OF, codes=OWN, preparations=PREPARATIONS
    )


MEDICINE = "Bundle.entry[1].resource.medication"
DOSE = "Bundle.entry[1].resource.dosage[0].doseAndRate[0].dose"


@pytest.mark.parametrize(
    ("words", "reads"),
    [
        ("TARN  blue 75", ("levothyroxine", ["75"])),
        ("Tarn Blue 75 tablets", ("levothyroxine", ["75"])),
        ("Tarn Blue 75 microgram tablets", ("levothyroxine", ["75"])),
        ("Tarnsel 50 mcg oral tablet", ("levothyroxine", ["50"])),
        ("Tarnsel (levothyroxine sodium) 0.05 mg", ("levothyroxine", ["50"])),
        ("Tarn Green 20 microgram tablets", ("liothyronine", ["20"])),
        ("Tarn Green 5microgram tablets", ("liothyronine", ["5"])),
        ("Tarn Green 20 mcg tabs", ("liothyronine", ["20"])),
        ("Tarn Red 0.075 mg", ("levothyroxine", ["75"])),
        ("Tarn Red 0,1125 mg", ("levothyroxine", ["225/2"])),
        ("Tarn Grain 0.5 grain tablets", ("desiccated-thyroid-60", ["30"])),
        ("Tarn Blue 75 mg tablets", MEDICINE),  # the name's number is in micrograms
        ("Tarn Blue 75 and 100 mcg", MEDICINE),
        ("Tarn Blue 75 plus iodide", MEDICINE),
        ("Tarn Blue 75 solution for injection", MEDICINE),
        ("Tarn Green 10 microgram tablets", MEDICINE),  # not listed
        ("Tarn Red 75 mg", MEDICINE),
        ("Tarnsel liothyronine 25 mcg", MEDICINE),
        ("Tarn Blue 75 levothyroxine 100 mcg", MEDICINE),
        ("Tarnsel night tea", MEDICINE),
        ("Tarn Blue 7", MEDICINE),
        ("Tarn Blue 75.5", MEDICINE),
        ("Tarn Blue 100 mcg tablets", MEDICINE),  # only 75 is in the file
        ("Tarnsel", DOSE),  # the strength is open
        ("Tarn Green tablets", DOSE),
    ],
)
def test_a_name_of_the_clinics_file_is_read_or_asked_about_and_never_passed_over(
    words: str, reads: tuple[str, list[str]] | str
) -> None:
    record = reading({"text": words})
    if isinstance(reads, str):
        assert [place.removesuffix("Quantity") for place in asked(record)] == [reads]
        assert doses(record) == []
    else:
        assert asked(record) == []
        assert doses(record) == [reads]


@pytest.mark.parametrize("words", ["Tarnselin 50 mcg", "Tarn Bluebell 75", "Tarn Vitamins"])
def test_a_longer_word_is_another_name(words: str) -> None:
    record = reading({"text": words})
    assert (asked(record), doses(record)) == ([], [])


def coded(system: str, text: str = "") -> Json:
    concept: Json = {"coding": [{"system": system, "code": "B75"}]}
    return {**concept, "text": text} if text else concept


@pytest.mark.parametrize("system", ["https://products.example", "https://products.example/"])
def test_the_address_of_a_code_system_counts_with_or_without_a_closing_slash(system: str) -> None:
    record = reading(coded(system))
    assert doses(record) == [("levothyroxine", ["75"])]
    assert asked(record) == []


def test_a_code_of_a_hormone_beside_a_name_that_is_listed_as_none_is_asked_about() -> None:
    assert asked(reading(coded("https://products.example", "Tarn Vitamins"))) == [MEDICINE]


ALIAS = '[[alias]]\ntext = "{}"\npreparation = "{}"\n{}\n'
PATTERN = "Tarn Green {strength} mcg"


@pytest.mark.parametrize(
    ("written", "place"),
    [
        (ALIAS.format(PATTERN, "liothyronine", ""), "alias[1].strengths"),
        (ALIAS.format(PATTERN, "liothyronine", 'strengths = ["5", "0"]'), "alias[1].strengths[2]"),
        (ALIAS.format(PATTERN, "liothyronine", 'strength = "5"'), "alias[1].strength"),
        (ALIAS.format("Tarn", "liothyronine", 'strengths = ["5"]'), "alias[1].strengths"),
        (ALIAS.format("{strength} mcg", "liothyronine", 'strengths = ["5"]'), "alias[1].text"),
        (ALIAS.format(PATTERN * 2, "liothyronine", 'strengths = ["5"]'), "alias[1].text"),
        (ALIAS.format("Tarn {strength} ml", "liothyronine", 'strengths = ["5"]'), "alias[1].text"),
        (ALIAS.format("Tarn {strength} gr", "liothyronine", 'strengths = ["5"]'), "alias[1].text"),
        (ALIAS.format(PATTERN, "liothyronine", 'strengths = ["5"]') * 2, "alias[2].text"),
        (ALIAS.format("Tarn 50 mcg", "levothyroxine", 'strength = "75"'), "alias[1].text"),
        (ALIAS.format("Tarn liothyronine", "levothyroxine", ""), "alias[1].text"),
        (ALIAS.format("Tarn", "levothyroxine", 'strength = "5"\nper_ml = "5"'), "alias[1].per_ml"),
        (ALIAS.format("Tarn", "desiccated-thyroid-60", 'per_ml = "5"'), "alias[1].per_ml"),
        (
            '[[product]]\nsystem = "http://snomed.info/sct"\ncode = "40930009"\ndisplay = "x"\n'
            'preparation = "levothyroxine"\nsource = "x"',
            "product[1].code",
        ),
        (
            '[[product]]\nsystem = "https://products.example"\ncode = "1"\nstrength = "75"\n'
            'display = "Tarn 50 mcg"\npreparation = "levothyroxine"\nsource = "x"',
            "product[1].display",
        ),
    ],
)
def test_a_slip_in_a_name_is_refused_where_it_stands(written: str, place: str) -> None:
    with pytest.raises(DomainError) as wrong:
        with_own(written)
    assert wrong.value.field == place
