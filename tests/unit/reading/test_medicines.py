"""Which product a record names: codes, words, aliases and grains weighed against each other."""

import tomllib

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    DAILY,
    LT4,
    LT4_100,
    PREPARATIONS,
    RXNORM,
    SNOMED,
    TABLET,
    Json,
    asked,
    bundle,
    dosage,
    doses,
    encoded,
    read,
    shipped,
    statement,
    ucum,
)
from tests.unit.safety.patients import NUMBERS

from crossgrain.catalogue.codes import OwnProducts, code_tables_from, with_products
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Record

MEDICINE = "Bundle.entry[1].resource.medication"


def coded(*codes: str, text: str = "") -> Json:
    concept: Json = {"coding": [{"system": RXNORM, "code": code} for code in codes]}
    return {**concept, "text": text} if text else concept


READ: dict[str, tuple[Json, list[tuple[str, list[str]]]]] = {
    "a mass and its grain of the 60-mg family": (
        {"text": "thyroid USP 1 grain (60 mg) tablet"},
        [("desiccated-thyroid-60", ["60"])],
    ),
    "a mass and its grain of the 65-mg family": (
        {"text": "thyroid USP 65 mg (1 grain) tablet"},
        [("desiccated-thyroid-65", ["65"])],
    ),
    "a code and words in grains that agree": (
        coded("313396", text="thyroid 1 grain"),
        [("desiccated-thyroid-65", ["65"])],
    ),
    "an ingredient and a clinical drug code together": (
        coded("10582", "892246"),
        [("levothyroxine", ["100"])],
    ),
    "195 mg, three grains of 65": (
        {"text": "desiccated thyroid 195 mg"},
        [("desiccated-thyroid-65", ["195"])],
    ),
    "a SNOMED CT product": (
        {"coding": [{"system": SNOMED, "code": "376988009"}]},
        [("levothyroxine", ["75"])],
    ),
    "grains in the words beside an ingredient code": (
        coded("10572", text="thyroid 2 grain"),
        [("desiccated-thyroid-60", ["120"])],
    ),
}


@pytest.mark.parametrize(("medicine", "expected"), READ.values(), ids=READ.keys())
def test_a_product_that_is_certain_is_read(
    medicine: Json, expected: list[tuple[str, list[str]]]
) -> None:
    record = read(statement(medicine, TABLET))
    assert doses(record) == expected
    assert record.questions == ()


ASKED: dict[str, Json] = {
    "two clinical drug codes": coded("892246", "966222"),
    "a mass that is no grain of either family": {"text": "thyroid 1 grain (50 mg)"},
    "two strengths in one name": {"text": "levothyroxine 50 mcg or 75 mcg"},
    "a code and words in grains that differ": coded("313391", text="thyroid 2 grain"),
    "grains of levothyroxine in the name": {"text": "levothyroxine 1 grain"},
    "two concentrations": {
        "text": "levothyroxine 25 mcg/mL",
        "coding": [{"display": "levothyroxine 20 mcg/mL"}],
    },
    "two names of different strength": {
        "text": "levothyroxine 75 mcg",
        "coding": [{"display": "levothyroxine 50 mcg"}],
    },
    "T4 and T3 in a ratio that is none": {
        "text": "levothyroxine 50 mcg / liothyronine 25 mcg tablet"
    },
    "two hormones by code": coded("10582", "10814"),
    "an injection": {"text": "levothyroxine 100 mcg injection"},
    "a vial": {"text": "levothyroxine sodium 100 mcg vial"},
    "a cream": {"text": "liothyronine 5 mcg cream"},
}


@pytest.mark.parametrize("medicine", ASKED.values(), ids=ASKED.keys())
def test_a_product_that_is_not_certain_is_asked_about(medicine: Json) -> None:
    record = read(statement(medicine, TABLET))
    assert asked(record) == [MEDICINE]
    assert doses(record) == []


def test_a_desiccated_tablet_of_neither_family_is_asked_about() -> None:
    record = read(statement({"text": "desiccated thyroid 50 mg"}, TABLET))
    assert asked(record) == ["Bundle.entry[1].resource.dosage[0].doseAndRate[0].dose"]


def test_a_product_of_the_past_that_cannot_be_told_is_said_and_not_asked_about() -> None:
    record = read(statement(coded("892246", "966222"), TABLET, status="stopped"))
    assert record.questions == ()
    assert [u.expression for u in record.unread] == ["Bundle.entry[1].resource"]


OWN = {
    "product": [
        {
            "system": "https://products.example",
            "code": "T4-75",
            "preparation": "levothyroxine",
            "strength": "75",
            "display": "levothyroxine 75 µg",
            "source": "our formulary",
        }
    ],
    "alias": [{"text": "House Name 75", "preparation": "levothyroxine", "strength": "75"}],
}


def read_with_own_tables(medicine: Json) -> Record:
    codes = code_tables_from(
        tomllib.loads(shipped("codes.toml")), PREPARATIONS, numbers=NUMBERS, phrases=CODES.phrases
    )
    tables = with_products(codes, OwnProducts(**OWN), PREPARATIONS)
    return read_record(
        parse(encoded(bundle(statement(medicine, TABLET)))),
        version=FhirVersion.R4,
        as_of=AS_OF,
        codes=tables,
        preparations=PREPARATIONS,
    )


@pytest.mark.parametrize(
    "medicine",
    [
        {"coding": [{"system": "https://products.example", "code": "T4-75"}]},
        {"text": "house name 75"},
        {"coding": [{"display": "HOUSE NAME 75"}]},
    ],
)
def test_a_deployers_code_and_alias_are_known(medicine: Json) -> None:
    assert doses(read_with_own_tables(medicine)) == [("levothyroxine", ["75"])]


def test_a_deployers_alias_beside_another_code_is_asked_about() -> None:
    record = read_with_own_tables({**LT4_100, "text": "House Name 75"})
    assert asked(record) == [MEDICINE]


@pytest.mark.parametrize(
    "code",
    [
        {"text": "Once daily"},
        {"text": "every morning"},
        {"coding": [{"system": "https://ehr.example/timing", "code": "QD"}]},
        {"coding": [{"display": "once a day"}], "text": "daily"},
    ],
)
def test_a_timing_code_in_words_alone_is_read_and_to_be_confirmed(code: Json) -> None:
    record = read(statement(LT4, dosage(ucum(100, "ug"), {"code": code})))
    assert doses(record) == [("levothyroxine", ["100"])]
    assert record.current[0].from_text


@pytest.mark.parametrize(
    "code", [{"text": "as directed"}, {"text": "daily", "coding": [{"display": "twice daily"}]}]
)
def test_a_timing_code_in_words_that_leaves_a_choice_is_asked_about(code: Json) -> None:
    record = read(statement(LT4, dosage(ucum(100, "ug"), {"code": code})))
    assert asked(record) == ["Bundle.entry[1].resource.dosage[0].timing.code"]


PARTS: dict[str, tuple[Json, list[tuple[str, list[str]]]]] = {
    "a coded dose and how often in words": (
        dosage(ucum(100, "ug"), None, text="100 mcg every other day"),
        [("levothyroxine", ["100", "0"])],
    ),
    "a coded timing and how much in words": (
        dosage(None, DAILY, text="100 mcg daily"),
        [("levothyroxine", ["100"])],
    ),
}


@pytest.mark.parametrize(("half", "expected"), PARTS.values(), ids=PARTS.keys())
def test_a_dose_that_stands_half_in_code_and_half_in_words_is_read_and_to_be_confirmed(
    half: Json, expected: list[tuple[str, list[str]]]
) -> None:
    record = read(statement(LT4, half))
    assert doses(record) == expected
    assert record.current[0].from_text


CONTRARY: dict[str, Json] = {
    "another dose in words": dosage(ucum(100, "ug"), None, text="75 mcg daily"),
    "another timing in words": dosage(None, DAILY, text="100 mcg twice daily"),
    "two parts in words for one coded dose": dosage(
        ucum(100, "ug"), None, text="100 mcg Mon-Fri and 50 mcg Sat-Sun"
    ),
}


@pytest.mark.parametrize("half", CONTRARY.values(), ids=CONTRARY.keys())
def test_half_a_dose_in_code_and_another_in_words_is_asked_about(half: Json) -> None:
    record = read(statement(LT4, half))
    assert asked(record) == ["Bundle.entry[1].resource.dosage[0]"]


IN_R5: Json = {
    **{key: value for key, value in statement(LT4).items() if key != "medicationCodeableConcept"},
    "status": "recorded",
    "medication": {"concept": LT4},
    "dosage": [dosage(ucum(100, "ug"))],
}


def test_an_instruction_rendered_as_a_whole_must_say_the_dose_of_the_only_dosage() -> None:
    agrees = read({**IN_R5, "renderedDosageInstruction": "100 mcg daily"}, version=FhirVersion.R5)
    assert doses(agrees) == [("levothyroxine", ["100"])]
    assert agrees.unread == ()
    differs = read({**IN_R5, "renderedDosageInstruction": "200 mcg daily"}, version=FhirVersion.R5)
    assert asked(differs) == ["Bundle.entry[1].resource.dosage[0]"]


def test_notes_that_give_no_instruction_are_said_and_not_asked_about() -> None:
    record = read(
        {
            **IN_R5,
            "dosage": [dosage(ucum(100, "ug"))],
            "note": [{"text": "Thyroidectomy in 2019, stopped smoking since."}],
        },
        version=FhirVersion.R5,
    )
    assert doses(record) == [("levothyroxine", ["100"])]
    assert record.questions == ()
    assert [u.expression for u in record.unread] == ["Bundle.entry[1].resource.note"]


def test_what_is_not_read_in_a_dosage_is_to_be_confirmed() -> None:
    record = read(
        statement(
            LT4,
            dosage(
                ucum(100, "ug"),
                patientInstruction="with water, from the blue box",
                additionalInstruction=[
                    {"text": "on an empty stomach"},
                    {"coding": [{"system": SNOMED, "code": "717154004"}]},
                ],
                maxDosePerPeriod={"numerator": ucum(200, "ug"), "denominator": ucum(1, "d")},
            ),
        )
    )
    assert record.questions == ()
    shown = [each.expression.rpartition(".")[2] for each in record.confirm]
    assert shown == ["additionalInstruction[1]", "patientInstruction"]


def test_an_instruction_that_is_a_code_alone_is_to_be_confirmed() -> None:
    """It may say to stop, as some codes of HL7's value set for this element do."""
    coded = [{"coding": [{"system": SNOMED, "code": "717154004"}]}]
    record = read(statement(LT4, dosage(ucum(100, "ug"), additionalInstruction=coded)))
    assert doses(record) == [("levothyroxine", ["100"])]
    assert [c.expression for c in record.confirm] == [
        "Bundle.entry[1].resource.dosage[0].additionalInstruction[0]"
    ]
