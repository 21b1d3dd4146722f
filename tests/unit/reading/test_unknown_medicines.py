"""What may be thyroid hormone is asked about, and what is none never stands in a plan's way."""

import tomllib

import pytest
from tests.unit.reading.records import (
    AS_OF,
    ATC,
    CATALOGUE,
    CODES,
    LT3,
    LT4,
    ONE,
    PREPARATIONS,
    RXNORM,
    SUBJECT,
    TABLET,
    Json,
    asked,
    bundle,
    condition,
    dosage,
    doses,
    encoded,
    read,
    request,
    shipped,
    statement,
    ucum,
)
from tests.unit.safety.patients import NUMBERS

from crossgrain.catalogue.codes import OwnProducts, code_tables_from, with_products
from crossgrain.catalogue.concerns import concerns_from
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_course, read_record
from crossgrain.reading.record import Record
from crossgrain.screening.course import Undecided

NDC = "http://hl7.org/fhir/sid/ndc"
HYPOTHYROIDISM = {"text": "Hypothyroidism"}
BRAND = {"coding": [{"system": NDC, "code": "99999-0000-01", "display": "House Blue 100"}]}
OTHER = {"text": "metformin 500 mg tablet"}
LT3_20 = statement(LT3, dosage(ucum(20, "ug")), id="lt3")


def undecided(*resources: Json, version: FhirVersion = FhirVersion.R4) -> bool:
    """Whether the same record ends on the screening's list for review."""
    try:
        read_course(
            parse(encoded(bundle(*resources))),
            version=version,
            as_of=AS_OF,
            codes=CATALOGUE.codes,
            preparations=PREPARATIONS,
        )
    except Undecided:
        return True
    return False


MAY_BE_HORMONE: dict[str, Json] = {
    "a name that looks like one": {"text": "thyro-complex 100"},
    "a name with a slip": {"text": "levothroxine 100 mcg"},
    "another code of the class": {"coding": [{"system": ATC, "code": "H03AA04"}]},
    "a code of the class under another name of ATC": {
        "coding": [{"system": "http://fhir.de/CodeSystem/bfarm/atc", "code": "H03AA04"}],
        "text": "House Blue",
    },
    "a code of the class without a system": {
        "coding": [{"code": "H03AA01", "display": "House Blue"}]
    },
    "the class itself": {"coding": [{"system": ATC, "code": "H03A", "display": "House Blue"}]},
    "an unknown code alone": {"coding": [{"system": RXNORM, "code": "99999999"}]},
    "an unknown code beside a number": {
        "coding": [{"system": NDC, "code": "99999-0000-01", "display": "99999000001"}],
        "text": "99999-0000-01",
    },
    "a blank name": {"text": "  "},
    "a name that says nothing": {"text": "Unknown"},
}


@pytest.mark.parametrize("medicine", MAY_BE_HORMONE.values(), ids=MAY_BE_HORMONE.keys())
@pytest.mark.parametrize("status", ["active", "draft"])
def test_what_may_be_hormone_is_asked_about(medicine: Json, status: str) -> None:
    resource = request(medicine, TABLET, status=status)
    assert asked(read(LT3_20, resource)) == ["Bundle.entry[2].resource.medication"]


@pytest.mark.parametrize("medicine", MAY_BE_HORMONE.values(), ids=MAY_BE_HORMONE.keys())
@pytest.mark.parametrize("status", ["active", "stopped"])
def test_what_may_have_been_hormone_is_listed_for_review(medicine: Json, status: str) -> None:
    assert undecided(LT3_20, statement(medicine, TABLET, status=status))


def test_what_is_no_longer_taken_need_not_be_told_for_a_plan() -> None:
    record = read(LT3_20, statement({"text": "thyro-complex"}, TABLET, status="stopped"))
    assert asked(record) == []
    assert any("cannot be told" in unread.why for unread in record.unread)


IS_OTHER: dict[str, Json] = {
    "a name": OTHER,
    "a name beside an unknown code": {
        "coding": [{"system": NDC, "code": "99999-0000-01"}],
        "text": "lisinopril 10 mg",
    },
    "an unknown code beside a code of another class": {
        "coding": [
            {"system": RXNORM, "code": "99999999"},
            {"system": ATC, "code": "C09AA03"},
        ]
    },
    "a code of another class": {"coding": [{"system": ATC, "code": "H03BB02"}]},
    "a code of another class by its OID": {
        "coding": [{"system": "urn:oid:2.16.840.1.113883.6.73", "code": "A10BA02"}]
    },
    "a code that a safety rule knows": {"coding": [{"system": RXNORM, "code": "11289"}]},
    "thyrotropin": {"text": "thyrotropin alfa 0.9 mg"},
    "an antithyroid drug": {"text": "thiamazole 10 mg (antithyroid)"},
}


@pytest.mark.parametrize("medicine", IS_OTHER.values(), ids=IS_OTHER.keys())
def test_what_is_another_medicine_is_not_asked_about(medicine: Json) -> None:
    resource = statement(medicine, TABLET)
    assert asked(read(LT3_20, resource)) == []
    assert not undecided(LT3_20, resource)


def contained_condition() -> Json:
    inside = {"resourceType": "Condition", "id": "c", "code": HYPOTHYROIDISM, "subject": SUBJECT}
    return {"contained": [inside], "reasonReference": [{"reference": "#c"}]}


FOR_THYROID: dict[str, Json] = {
    "a reason in words": {"reasonCode": [HYPOTHYROIDISM]},
    "a reason of another language": {"reasonCode": [{"text": "Schilddrüsenunterfunktion"}]},
    "a reason by code": {
        "reasonCode": [{"coding": [{"system": "http://hl7.org/fhir/sid/icd-10", "code": "E03.9"}]}]
    },
    "a Condition": {"reasonReference": [{"reference": "Condition/c-40930008"}]},
    "a Condition that is only named": {
        "reasonReference": [{"reference": "Condition/gone", "display": "Hypothyroidism"}]
    },
    "a contained Condition": contained_condition(),
}


@pytest.mark.parametrize("reason", FOR_THYROID.values(), ids=FOR_THYROID.keys())
def test_an_unknown_medicine_with_a_thyroid_reason_is_asked_about(reason: Json) -> None:
    resources = (statement(BRAND, TABLET, **reason), LT3_20, condition("40930008"))
    assert asked(read(*resources)) == [f"{ONE}.medication"]
    assert undecided(*resources)


@pytest.mark.parametrize("reason", FOR_THYROID.values(), ids=FOR_THYROID.keys())
def test_a_known_medicine_may_have_a_thyroid_reason(reason: Json) -> None:
    resources = (statement({"text": "selenium 100 mcg"}, TABLET, **reason), LT3_20,
                 condition("40930008"))  # fmt: skip
    assert asked(read(*resources)) == []
    assert not undecided(*resources)


def test_a_reason_that_is_none_of_the_thyroid_asks_nothing() -> None:
    resource = statement(BRAND, TABLET, reasonCode=[{"text": "Hypertension"}])
    assert asked(read(resource, LT3_20)) == []


def test_an_instruction_that_says_for_the_thyroid_is_a_reason() -> None:
    resource = statement(BRAND, {"text": "1 tab daily for thyroid"})
    assert asked(read(resource, LT3_20)) == [f"{ONE}.medication"]
    assert undecided(resource, LT3_20)


@pytest.mark.parametrize(
    "reason",
    [
        {"concept": HYPOTHYROIDISM},
        {"reference": {"reference": "Condition/c-40930008"}},
    ],
)
def test_r5_names_the_reason_in_its_own_shape(reason: Json) -> None:
    resource = {
        "resourceType": "MedicationRequest",
        "id": "r1",
        "status": "active",
        "intent": "order",
        "medication": {"concept": BRAND},
        "subject": SUBJECT,
        "authoredOn": "2026-01-05",
        "dosageInstruction": [TABLET],
        "reason": [reason],
    }
    resources = (resource, condition("40930008"))
    assert asked(read(*resources, version=FhirVersion.R5)) == [f"{ONE}.medication"]
    assert undecided(*resources, version=FhirVersion.R5)


# --- behind a reference -----------------------------------------------------------------------


def by_reference(medication: Json, display: str = "", **more: object) -> tuple[Json, Json]:
    pointer = {"reference": "Medication/m1", **({"display": display} if display else {})}
    resource = statement(LT4, TABLET, medicationReference=pointer, **more)
    del resource["medicationCodeableConcept"]
    return resource, {"resourceType": "Medication", "id": "m1", **medication}


BEHIND: dict[str, tuple[Json, str]] = {
    "an unknown code alone": ({"code": {"coding": [{"system": RXNORM, "code": "99999999"}]}}, ""),
    "a name that looks like one": ({"code": {"text": "thyro-complex"}}, ""),
    "another name than its reference has": ({"code": BRAND}, "levothyroxine 100 mcg"),
    "an ingredient that looks like one": (
        {"code": BRAND, "ingredient": [{"itemCodeableConcept": {"text": "tiratricol"}}]},
        "",
    ),
}


@pytest.mark.parametrize(("medication", "display"), BEHIND.values(), ids=BEHIND.keys())
def test_a_medication_that_may_be_hormone_is_asked_about(medication: Json, display: str) -> None:
    resources = by_reference(medication, display)
    assert len(asked(read(*resources, LT3_20))) == 1
    assert undecided(*resources, LT3_20)


def test_a_medication_of_an_unknown_code_is_known_by_the_names_of_all_its_ingredients() -> None:
    parts = [{"itemCodeableConcept": {"text": "lisinopril"}}]
    code = {"coding": [{"system": RXNORM, "code": "99999999"}]}
    assert asked(read(*by_reference({"code": code, "ingredient": parts}), LT3_20)) == []


@pytest.mark.parametrize("place", ["contained", "bundle"])
def test_an_ingredient_that_is_referred_to_is_read(place: str) -> None:
    substance = {"resourceType": "Substance", "id": "s", "code": {"text": "levothyroxine sodium"}}
    per_tablet = {"numerator": ucum(100, "ug"), "denominator": ucum(1, "{tbl}")}
    inside = place == "contained"
    part = {"itemReference": {"reference": "#s" if inside else "Substance/s"},
            "strength": per_tablet}  # fmt: skip
    medication: Json = {"code": BRAND, "ingredient": [part]}
    if inside:
        medication["contained"] = [substance]
    record = read(*by_reference(medication), *([] if inside else [substance]))
    assert doses(record) == [("levothyroxine", ["100"])]


# --- a code beside a product's own name -------------------------------------------------------


def test_the_strength_in_a_products_own_name_is_held_against_its_code() -> None:
    """892246 is levothyroxine 100 µg: RxNorm, by a public value set of clinical drugs."""
    named = {"coding": [{"system": RXNORM, "code": "892246", "display": "House Blue 75 mcg tab"}]}
    assert asked(read(statement(named, TABLET))) == [f"{ONE}.medication"]
    agrees = {"coding": [{"system": RXNORM, "code": "892246", "display": "House Blue 100 mcg"}]}
    assert doses(read(statement(agrees, TABLET))) == [("levothyroxine", ["100"])]


# --- products before standing -----------------------------------------------------------------

UNSETTLED: dict[str, Json] = {
    "a statement of status unknown": statement(OTHER, TABLET, status="unknown"),
    "an order of status unknown": request(OTHER, TABLET, status="unknown"),
    "a single administration": request(OTHER, TABLET, intent="instance-order"),
    "a status of no FHIR version": request(OTHER, TABLET, status="current"),
    "no status": {k: v for k, v in statement(OTHER, TABLET).items() if k != "status"},
    "an intent of no FHIR version": request(OTHER, TABLET, intent="wish"),
    "no date": {k: v for k, v in request(OTHER, TABLET).items() if k != "authoredOn"},
    "a date that is none": request(OTHER, TABLET, authoredOn="soon"),
}


def with_name(resource: Json, words: str) -> Json:
    return {**resource, "medicationCodeableConcept": {"text": words}}


@pytest.mark.parametrize("resource", UNSETTLED.values(), ids=UNSETTLED.keys())
@pytest.mark.parametrize("words", ["metformin 500 mg", "lisinopril 10 mg"])
def test_what_is_no_hormone_never_stands_in_the_way(resource: Json, words: str) -> None:
    resources = (with_name(resource, words), LT3_20)
    record = read(*resources)
    assert asked(record) == []
    assert doses(record) == [("liothyronine", ["20"])]
    assert not undecided(*resources)


def test_a_medicine_that_bears_on_hormone_counts_as_taken_where_it_cannot_be_told() -> None:
    record = read(with_name(UNSETTLED["a statement of status unknown"], "amiodarone"), LT3_20)
    assert [known.key for known in record.facts.medicines or ()] == ["amiodarone"]
    assert [c.expression for c in record.confirm] == [f"{ONE}.status"]


def test_of_hormone_it_is_still_asked_whether_it_is_taken() -> None:
    record = read(statement(LT4, TABLET, status="unknown"), LT3_20)
    assert asked(record) == [f"{ONE}.status"]


# --- a clinic's own file ----------------------------------------------------------------------

OWN: Json = {
    "alias": [
        {"text": "Thyro-Blue 100/100", "preparation": "levothyroxine", "strength": "100"},
        {"text": "levothyroxine 100 / iodide 100", "preparation": "levothyroxine",
         "strength": "100"},
    ],
    "other": [
        {"text": "Thyro-Vita", "source": "our formulary"},
        {"ndc": "99999-0000-01", "source": "our formulary"},
        {"system": "https://products.example", "code": "x1", "source": "our formulary"},
    ],
}  # fmt: skip


def read_with_own(medicine: Json, **more: object) -> Record:
    codes = code_tables_from(
        tomllib.loads(shipped("codes.toml")), PREPARATIONS, numbers=NUMBERS, phrases=CODES.phrases,
        concerns=concerns_from(tomllib.loads(shipped("safety_codes.toml"))),
    )  # fmt: skip
    return read_record(
        parse(encoded(bundle(statement(medicine, TABLET, **more), LT3_20))),
        version=FhirVersion.R4,
        as_of=AS_OF,
        codes=with_products(codes, OwnProducts(**OWN), PREPARATIONS),
        preparations=PREPARATIONS,
    )  # fmt: skip


@pytest.mark.parametrize("words", ["thyro-blue 100/100", "Levothyroxine 100 / Iodide 100"])
def test_a_name_that_a_clinic_answered_for_is_read_as_it_says(words: str) -> None:
    assert doses(read_with_own({"text": words}))[0] == ("levothyroxine", ["100"])


@pytest.mark.parametrize(
    "medicine",
    [
        {"text": "THYRO-VITA"},
        {"coding": [{"system": NDC, "code": "99999-0000-01"}]},
        {"coding": [{"system": "https://products.example", "code": "x1"}]},
    ],
)
def test_what_a_clinic_says_is_no_hormone_is_not_asked_about(medicine: Json) -> None:
    assert asked(read_with_own(medicine)) == []
    assert asked(read_with_own(medicine, reasonCode=[HYPOTHYROIDISM])) == []
