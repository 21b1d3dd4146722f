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
    condition,
    dosage,
    observation,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.elements import ReadCategory, Unreadable

TAKEN = statement(LT4, dosage(ucum(100, "ug")))


def dosed(**repeat: object) -> Json:
    return bundle(statement(LT4, dosage(ucum(100, "ug"), {"repeat": repeat})))


REFUSED: dict[str, tuple[Json, ReadCategory, str]] = {
    "no bundle": ({"resourceType": "Patient"}, ReadCategory.STRUCTURE, "Bundle"),
    "no resource type": ({}, ReadCategory.STRUCTURE, "Bundle"),
    "an empty bundle": (bundle(patient=None), ReadCategory.STRUCTURE, "Bundle"),
    "no entries at all": (
        {"resourceType": "Bundle", "type": "collection"},
        ReadCategory.STRUCTURE,
        "Bundle",
    ),
    "a bundle without a type": (
        bundle(TAKEN) | {"type": None},
        ReadCategory.STRUCTURE,
        "Bundle.type",
    ),
    "a history": (bundle(TAKEN, type="history"), ReadCategory.NOT_SUPPORTED, "Bundle.type"),
    "entries that are no list": (
        bundle(TAKEN) | {"entry": {}},
        ReadCategory.STRUCTURE,
        "Bundle.entry",
    ),
    "an entry that is no object": (
        bundle(TAKEN) | {"entry": [1]},
        ReadCategory.STRUCTURE,
        "Bundle.entry[0]",
    ),
    "an entry without a resource": (
        bundle(TAKEN) | {"entry": [{"fullUrl": "urn:uuid:1"}]},
        ReadCategory.STRUCTURE,
        "Bundle.entry[0]",
    ),
    "a resource without a type": (
        bundle({"id": "x"}),
        ReadCategory.STRUCTURE,
        ONE,
    ),
    "a type that does not exist": (
        bundle({"resourceType": "Medicament"}),
        ReadCategory.STRUCTURE,
        ONE,
    ),
    "an address that is no string": (
        {**bundle(TAKEN), "entry": [{"fullUrl": 7, "resource": TAKEN}]},
        ReadCategory.STRUCTURE,
        "Bundle.entry[0].fullUrl",
    ),
    "an id that is no string": (
        bundle({"resourceType": "Encounter", "id": 7}),
        ReadCategory.STRUCTURE,
        "Bundle.entry[1].resource.id",
    ),
    "implicit rules of the bundle": (
        bundle(TAKEN, implicitRules="https://rules.example"),
        ReadCategory.NOT_SUPPORTED,
        "Bundle.implicitRules",
    ),
    "implicit rules of a resource": (
        bundle({**TAKEN, "implicitRules": "https://rules.example"}),
        ReadCategory.NOT_SUPPORTED,
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
        ReadCategory.NOT_SUPPORTED,
        f"{ONE}.contained[0].implicitRules",
    ),
    "implicit rules of the patient": (
        bundle(patient={**PATIENT, "implicitRules": "https://rules.example"}),
        ReadCategory.NOT_SUPPORTED,
        "Bundle.entry[0].resource.implicitRules",
    ),
    "a modifier of the patient": (
        bundle(patient={**PATIENT, "modifierExtension": [{"url": "https://x.example"}]}),
        ReadCategory.NOT_SUPPORTED,
        "Bundle.entry[0].resource.modifierExtension",
    ),
    "two patients": (
        bundle(TAKEN, {"resourceType": "Patient", "id": "p2"}),
        ReadCategory.CONFLICT,
        "Bundle.entry[2].resource",
    ),
    "no patient": (bundle(TAKEN, patient=None), ReadCategory.STRUCTURE, "Bundle"),
    "a medicine of another patient": (
        bundle({**TAKEN, "subject": {"reference": "Patient/p2"}}),
        ReadCategory.CONFLICT,
        f"{ONE}.subject",
    ),
    "a result of another patient": (
        bundle(observation("3016-3", ucum(2, "m[IU]/L"), subject={"reference": "Patient/p2"})),
        ReadCategory.CONFLICT,
        f"{ONE}.subject",
    ),
    "two different resources of one address": (
        bundle(TAKEN, {**TAKEN, "status": "stopped"}),
        ReadCategory.CONFLICT,
        "Bundle.entry[2].resource",
    ),
    "a birth date after the day of reading": (
        bundle(patient={**PATIENT, "birthDate": "2027-01-01"}),
        ReadCategory.VALUE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "the 30th of February": (
        bundle(patient={**PATIENT, "birthDate": "1970-02-30"}),
        ReadCategory.VALUE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "a date in another form": (
        bundle(patient={**PATIENT, "birthDate": "01.05.1970"}),
        ReadCategory.VALUE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "a birth date that is a number": (
        bundle(patient={**PATIENT, "birthDate": 1970}),
        ReadCategory.STRUCTURE,
        "Bundle.entry[0].resource.birthDate",
    ),
    "a status that is not of FHIR": (
        bundle({**TAKEN, "status": "taking"}),
        ReadCategory.VALUE,
        f"{ONE}.status",
    ),
    "no status": (
        bundle({k: v for k, v in TAKEN.items() if k != "status"}),
        ReadCategory.VALUE,
        f"{ONE}.status",
    ),
    "an order without an intent": (
        bundle(request(LT4, intent=None)),
        ReadCategory.VALUE,
        f"{ONE}.intent",
    ),
    "dosages that are no list": (
        bundle({**TAKEN, "dosage": {}}),
        ReadCategory.STRUCTURE,
        f"{ONE}.dosage",
    ),
    "a dose that is a string": (
        bundle(statement(LT4, dosage({"value": "100", "unit": "ug"}))),
        ReadCategory.STRUCTURE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.value",
    ),
    "a dose that is true": (
        bundle(statement(LT4, dosage({"value": True, "unit": "ug"}))),
        ReadCategory.STRUCTURE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.value",
    ),
    "a unit that is a number": (
        bundle(statement(LT4, dosage({"value": 1, "unit": 5}))),
        ReadCategory.STRUCTURE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.unit",
    ),
    "a negative dose": (
        bundle(statement(LT4, dosage(ucum(-100, "ug")))),
        ReadCategory.VALUE,
        f"{ONE}.dosage[0].doseAndRate[0].dose.value",
    ),
    "a frequency of zero": (
        dosed(frequency=0, period=1, periodUnit="d"),
        ReadCategory.VALUE,
        f"{ONE}.dosage[0].timing.repeat.frequency",
    ),
    "a frequency of one and a half": (
        dosed(frequency=1.5, period=1, periodUnit="d"),
        ReadCategory.VALUE,
        f"{ONE}.dosage[0].timing.repeat.frequency",
    ),
    "a period of zero": (
        dosed(frequency=1, period=0, periodUnit="d"),
        ReadCategory.VALUE,
        f"{ONE}.dosage[0].timing.repeat.period",
    ),
    "a unit of time that is none": (
        dosed(frequency=1, period=1, periodUnit="days"),
        ReadCategory.VALUE,
        f"{ONE}.dosage[0].timing.repeat.periodUnit",
    ),
    "a day of the week that is none": (
        dosed(dayOfWeek=["Monday"]),
        ReadCategory.VALUE,
        f"{ONE}.dosage[0].timing.repeat.dayOfWeek[0]",
    ),
    "an event code that is none": (
        dosed(when=["EARLY"]),
        ReadCategory.VALUE,
        f"{ONE}.dosage[0].timing.repeat.when[0]",
    ),
    "a comparator that is none": (
        bundle(observation("3016-3", ucum(2, "m[IU]/L", comparator="~"))),
        ReadCategory.VALUE,
        f"{ONE}.value.comparator",
    ),
    "codings that are no list": (
        bundle({**observation("3016-3"), "code": {"coding": {"system": LOINC, "code": "3016-3"}}}),
        ReadCategory.STRUCTURE,
        f"{ONE}.code.coding",
    ),
}


@pytest.mark.parametrize(
    ("content", "category", "expression"), REFUSED.values(), ids=REFUSED.keys()
)
def test_an_unusable_record_is_refused_at_its_element(
    content: Json, category: ReadCategory, expression: str
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
    assert refusal.value.category is ReadCategory.NOT_SUPPORTED
    assert refusal.value.expression == ONE
    assert words in refusal.value.message


TSH = observation("3016-3", ucum("2.1", "m[IU]/L"))
LT3_REFERRED = {"medicationReference": {"reference": "Medication/m1"}}
TWO_TYPES: dict[str, tuple[Json, str]] = {
    "two medicines": (TAKEN | LT3_REFERRED, "medication"),
    "two ordered": (request(LT4, dosage(ucum(100, "ug"))) | LT3_REFERRED, "medication"),
    "two results": (TSH | {"valueString": "<0.01"}, "value"),
    "a result and one that is not read": (TSH | {"valueRange": {"low": {"value": 1}}}, "value"),
    "two results of a part": (
        observation("3016-3") | {"component": [{"code": TSH["code"]} | {
            "valueQuantity": TSH["valueQuantity"], "valueString": "<0.01"}]},
        "component[0].value",
    ),
    "two days of a result": (TSH | {"effectiveInstant": "2020-01-01T00:00:00Z"}, "effective"),
    "two times of taking": (TAKEN | {"effectiveDateTime": "2019-01-01"}, "effective"),
    "two bounds": (
        statement(LT4, dosage(ucum(100, "ug"), {"repeat": {
            "frequency": 1, "period": 1, "periodUnit": "d",
            "boundsPeriod": {"start": "2026-01-01"}, "boundsDuration": ucum(7, "d")}})),
        "dosage[0].timing.repeat.bounds",
    ),
    "two ways to need it": (
        statement(LT4, dosage(ucum(100, "ug"), asNeededBoolean=False,
                              asNeededCodeableConcept={"text": "tired"})),
        "dosage[0].asNeeded",
    ),
    "two onsets": (
        condition("49436004", onsetDateTime="2020", onsetString="last week"),
        "onset",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("resource", "element"), TWO_TYPES.values(), ids=TWO_TYPES.keys())
def test_an_element_that_stands_in_two_types_is_refused(resource: Json, element: str) -> None:
    with pytest.raises(Unreadable) as refusal:
        read_bundle(bundle(resource))
    assert refusal.value.category is ReadCategory.STRUCTURE
    assert refusal.value.expression == f"{ONE}.{element}"
    assert "stands here twice" in refusal.value.message


def test_two_types_of_what_could_not_matter_are_passed_over() -> None:
    sprain = condition("44465007", onsetDateTime="2020", onsetString="last week")
    record = read_bundle(bundle(TAKEN, sprain))
    assert not record.questions
    assert any("stands here twice" in passed_over.why for passed_over in record.unread)


def test_a_type_that_is_null_is_not_given() -> None:
    assert not read_bundle(bundle(TSH | {"valueString": None})).unread


MODIFIED = {"modifierExtension": [{"url": "https://x.example", "valueBoolean": True}]}


def test_what_modifies_an_entry_modifies_what_it_holds() -> None:
    content = bundle(TAKEN, TSH, {**PATIENT, "resourceType": "Basic", "id": "b"})
    for number in (1, 2, 3):
        content["entry"][number] |= MODIFIED
    record = read_bundle(content)
    assert [q.expression for q in record.questions] == [f"{ONE}.modifierExtension"]
    assert record.facts.measurements == ()
    assert [u.why for u in record.unread] == ["it carries a modifier that is not known"]


def test_a_range_with_a_modifier_is_not_applied() -> None:
    low = {"low": ucum("0.1", "m[IU]/L"), "high": ucum(9, "m[IU]/L"), **MODIFIED}
    record = read_bundle(bundle(TSH | {"referenceRange": [low]}))
    (found,) = record.facts.measurements or ()
    assert (found.low, found.high) == (None, None)
    assert [u.expression for u in record.unread] == [f"{ONE}.referenceRange"]


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
