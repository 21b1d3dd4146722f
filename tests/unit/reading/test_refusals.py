"""A record that is unusable as a whole is refused, with the FHIRPath of the element."""

import pytest
from tests.unit.reading.records import (
    LOINC,
    LT4,
    ONE,
    PATIENT,
    SUBJECT,
    Json,
    bundle,
    dosage,
    observation,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.names.version import FhirVersion
from crossgrain.reading.errors import Category, Unreadable

TAKEN = statement(LT4, dosage(ucum(100, "ug")))


def dosed(**repeat: object) -> Json:
    return bundle(statement(LT4, dosage(ucum(100, "ug"), {"repeat": repeat})))


REFUSED: dict[str, tuple[Json, Category, str]] = {
    "no bundle": ({"resourceType": "Patient"}, Category.STRUCTURE, "Bundle"),
    "no resource type": ({}, Category.STRUCTURE, "Bundle"),
    "an empty bundle": (bundle(patient=None), Category.STRUCTURE, "Bundle"),
    "no entries at all": (
        {"resourceType": "Bundle", "type": "collection"},
        Category.STRUCTURE,
        "Bundle",
    ),
    "a bundle without a type": (bundle(TAKEN) | {"type": None}, Category.STRUCTURE, "Bundle.type"),
    "a history": (bundle(TAKEN, type="history"), Category.NOT_SUPPORTED, "Bundle.type"),
    "entries that are no list": (bundle(TAKEN) | {"entry": {}}, Category.STRUCTURE, "Bundle.entry"),
    "an entry that is no object": (
        bundle(TAKEN) | {"entry": [1]},
        Category.STRUCTURE,
        "Bundle.entry[0]",
    ),
    "an entry without a resource": (
        bundle(TAKEN) | {"entry": [{"fullUrl": "urn:uuid:1"}]},
        Category.STRUCTURE,
        "Bundle.entry[0]",
    ),
    "a resource without a type": (
        bundle({"id": "x"}),
        Category.STRUCTURE,
        ONE,
    ),
    "a type that does not exist": (
        bundle({"resourceType": "Medicament"}),
        Category.STRUCTURE,
        ONE,
    ),
    "an address that is no string": (
        {**bundle(TAKEN), "entry": [{"fullUrl": 7, "resource": TAKEN}]},
        Category.STRUCTURE,
        "Bundle.entry[0].fullUrl",
    ),
    "an id that is no string": (
        bundle({"resourceType": "Encounter", "id": 7}),
        Category.STRUCTURE,
        "Bundle.entry[1].resource.id",
    ),
    "implicit rules of the bundle": (
        bundle(TAKEN, implicitRules="https://rules.example"),
        Category.NOT_SUPPORTED,
        "Bundle.implicitRules",
    ),
    "implicit rules of a resource": (
        bundle({**TAKEN, "implicitRules": "https://rules.example"}),
        Category.NOT_SUPPORTED,
        f"{ONE}.implicitRules",
    ),
    "implicit rules of a contained medication": (
        bundle(
            {
                **{k: v for k, v in TAKEN.items() if k != "medicationCodeableConcept"},
                "medicationReference": {"reference": "#m"},
                "contained": [
                    {"resourceType": "Medication", "id": "m", "implicitRules": "urn:x:rules"}
                ],
            }
        ),
        Category.NOT_SUPPORTED,
        f"{ONE}.contained[0].implicitRules",
    ),
    "implicit rules of the patient": (
        bundle(patient={**PATIENT, "implicitRules": "https://rules.example"}),
        Category.NOT_SUPPORTED,
        "Bundle.entry[0].resource.implicitRules",
    ),
    "a modifier of the patient": (
        bundle(patient={**PATIENT, "modifierExtension": [{"url": "https://x.example"}]}),
        Category.NOT_SUPPORTED,
        "Bundle.entry[0].resource.modifierExtension",
    ),
    "two patients": (
        bundle(TAKEN, {"resourceType": "Patient", "id": "p2"}),
        Category.CONFLICT,
        "Bundle.entry[2].resource",
    ),
    "no patient": (bundle(TAKEN, patient=None), Category.STRUCTURE, "Bundle"),
    "a medicine of another patient": (
        bundle({**TAKEN, "subject": {"reference": "Patient/p2"}}),
        Category.CONFLICT,
        f"{ONE}.subject",
    ),
    "a result of another patient": (
        bundle(observation("3016-3", ucum(2, "m[IU]/L"), subject={"reference": "Patient/p2"})),
        Category.CONFLICT,
        f"{ONE}.subject",
    ),
    "two different resources of one address": (
        bundle(TAKEN, {**TAKEN, "status": "stopped"}),
        Category.CONFLICT,
        "Bundle.entry[2].resource",
    ),
    "a birth date after the day of reading": (
        bundle(patient={**PATIENT, "birthDate": "2027-01-01"}),
        Category.VALUE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "the 30th of February": (
        bundle(patient={**PATIENT, "birthDate": "1970-02-30"}),
        Category.VALUE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "a date in another form": (
        bundle(patient={**PATIENT, "birthDate": "01.05.1970"}),
        Category.VALUE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "a birth date that is a number": (
        bundle(patient={**PATIENT, "birthDate": 1970}),
        Category.STRUCTURE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "a status that is not of FHIR": (
        bundle({**TAKEN, "status": "taking"}),
        Category.VALUE,
        f"{ONE}.status",
    ),
    "no status": (
        bundle({k: v for k, v in TAKEN.items() if k != "status"}),
        Category.VALUE,
        f"{ONE}.status",
    ),
    "an order without an intent": (
        bundle(request(LT4, intent=None)),
        Category.VALUE,
        f"{ONE}.intent",
    ),
    "dosages that are no list": (
        bundle({**TAKEN, "dosage": {}}),
        Category.STRUCTURE,
        f"{ONE}.dosage",
    ),
    "a dose that is a string": (
        bundle(statement(LT4, dosage({"value": "100", "unit": "ug"}))),
        Category.STRUCTURE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.value",
    ),
    "a dose that is true": (
        bundle(statement(LT4, dosage({"value": True, "unit": "ug"}))),
        Category.STRUCTURE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.value",
    ),
    "a unit that is a number": (
        bundle(statement(LT4, dosage({"value": 1, "unit": 5}))),
        Category.STRUCTURE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.unit",
    ),
    "a negative dose": (
        bundle(statement(LT4, dosage(ucum(-100, "ug")))),
        Category.VALUE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.value",
    ),
    "a frequency of zero": (
        dosed(frequency=0, period=1, periodUnit="d"),
        Category.VALUE,
        f"{ONE}.dosage[0].timing.repeat.frequency",
    ),
    "a frequency of one and a half": (
        dosed(frequency=1.5, period=1, periodUnit="d"),
        Category.VALUE,
        f"{ONE}.dosage[0].timing.repeat.frequency",
    ),
    "a period of zero": (
        dosed(frequency=1, period=0, periodUnit="d"),
        Category.VALUE,
        f"{ONE}.dosage[0].timing.repeat.period",
    ),
    "a unit of time that is none": (
        dosed(frequency=1, period=1, periodUnit="days"),
        Category.VALUE,
        f"{ONE}.dosage[0].timing.repeat.periodUnit",
    ),
    "a day of the week that is none": (
        dosed(dayOfWeek=["Monday"]),
        Category.VALUE,
        f"{ONE}.dosage[0].timing.repeat.dayOfWeek[0]",
    ),
    "an event code that is none": (
        dosed(when=["EARLY"]),
        Category.VALUE,
        f"{ONE}.dosage[0].timing.repeat.when[0]",
    ),
    "a comparator that is none": (
        bundle(observation("3016-3", ucum(2, "m[IU]/L", comparator="~"))),
        Category.VALUE,
        f"{ONE}.value.comparator",
    ),
    "codings that are no list": (
        bundle({**observation("3016-3"), "code": {"coding": {"system": LOINC, "code": "3016-3"}}}),
        Category.STRUCTURE,
        f"{ONE}.code.coding",
    ),
}


@pytest.mark.parametrize(
    ("content", "category", "expression"), REFUSED.values(), ids=REFUSED.keys()
)
def test_an_unusable_record_is_refused_at_its_element(
    content: Json, category: Category, expression: str
) -> None:
    with pytest.raises(Unreadable) as refusal:
        read_bundle(content)
    assert (refusal.value.category, refusal.value.expression) == (category, expression)


WRONG_VERSION: dict[str, tuple[Json, FhirVersion, str]] = {
    "an R5 medication in R4": (
        {**TAKEN, "medication": {"concept": LT4}},
        FhirVersion.R4,
        "MedicationStatement has medication, which is of R5",
    ),
    "an R4 medication in R5": (
        request(LT4),
        FhirVersion.R5,
        "MedicationRequest has medicationCodeableConcept, which is of R4",
    ),
    "an STU3 statement": (
        {**TAKEN, "taken": "y"},
        FhirVersion.R4,
        "MedicationStatement has taken, which is of STU3",
    ),
}


@pytest.mark.parametrize(
    ("resource", "version", "words"), WRONG_VERSION.values(), ids=WRONG_VERSION.keys()
)
def test_a_resource_of_the_wrong_version_is_refused_by_name(
    resource: Json, version: FhirVersion, words: str
) -> None:
    with pytest.raises(Unreadable) as refusal:
        read_bundle(bundle(resource), version)
    assert refusal.value.category is Category.NOT_SUPPORTED
    assert refusal.value.expression == ONE
    assert words in refusal.value.message


def test_no_refusal_quotes_a_value_of_the_record() -> None:
    with pytest.raises(Unreadable) as refusal:
        read_bundle(bundle(patient={**PATIENT, "birthDate": "Quillfeather"}))
    assert "Quillfeather" not in refusal.value.message


def test_the_same_resource_twice_is_counted_once() -> None:
    record = read_bundle(bundle(TAKEN, dict(TAKEN)))
    assert len(record.current) == 1
    assert record.questions == ()


def test_a_resource_that_says_no_subject_is_read_and_said() -> None:
    record = read_bundle(bundle({k: v for k, v in TAKEN.items() if k != "subject"}))
    assert len(record.current) == 1
    assert [u.expression for u in record.unread] == [f"{ONE}.subject"]


def test_a_subject_by_full_url_is_the_patient() -> None:
    content = bundle(TAKEN)
    content["entry"][0]["fullUrl"] = "urn:uuid:AAAAAAAA-0000-4000-8000-000000000001"
    content["entry"][1]["resource"]["subject"] = {
        "reference": "urn:uuid:aaaaaaaa-0000-4000-8000-000000000001"
    }
    assert len(read_bundle(content).current) == 1
    assert SUBJECT["reference"] == "Patient/p1"
