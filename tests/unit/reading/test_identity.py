"""Whose a resource is, and which one a reference means: never told by an id alone.

How a relative reference is resolved: FHIR R4, section 2.36.4.1 (Resolving references in Bundles).
"""

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    LT4_100,
    ONE,
    PATIENT,
    PREPARATIONS,
    TABLET,
    THYROID_60,
    Json,
    asked,
    bundle,
    condition,
    observation,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.elements import ReadCategory, Unreadable
from crossgrain.reading.reader import read_course
from crossgrain.screening.course import Undecided

HERE, THERE = "https://ehr.example/fhir", "https://other.example/fhir"
MRN, OTHER = "https://ehr.example/mrn", "https://other.example/mrn"
KNOWN = {**PATIENT, "identifier": [{"system": MRN, "value": "7"}, {"system": MRN, "value": "8"}]}
TAKEN = statement(LT4_100, TABLET)
Subject = dict[str, object]


def on(server: str, *resources: Json, patient_on: str = "") -> Json:
    """A bundle whose entries say on which server they are; an empty name says nothing."""
    content = bundle(*resources, patient=KNOWN)
    for number, entry in enumerate(content["entry"]):
        base = patient_on if not number else server
        if base:
            own = f"{entry['resource']['resourceType']}/{entry['resource']['id']}"
            entry["fullUrl"] = f"{base}/{own}"
    return content


def of(subject: Subject) -> Json:
    return {**TAKEN, "subject": subject}


ITS_OWN: dict[str, Json] = {
    "relative, and no server said": on("", of({"reference": "Patient/p1"})),
    "relative, on the same server": on(HERE, of({"reference": "Patient/p1"}), patient_on=HERE),
    "relative, the patient alone on a server": on(
        "", of({"reference": "Patient/p1"}), patient_on=HERE
    ),
    "the same address": on("", of({"reference": f"{HERE}/Patient/p1"}), patient_on=HERE),
    "the same address, of a version": on(
        THERE, of({"reference": f"{HERE}/Patient/p1/_history/4"}), patient_on=HERE
    ),
    "an identifier": on("", of({"identifier": {"system": MRN, "value": "7"}})),
    "one of two identifiers": on("", of({"identifier": {"system": MRN, "value": "8"}})),
    "a reference, and an identifier of a system that the patient lacks": on(
        "", of({"reference": "Patient/p1", "identifier": {"system": OTHER, "value": "9"}})
    ),
}
NOT_ITS_OWN: dict[str, Json] = {
    "another id": on("", of({"reference": "Patient/p2"})),
    "the same id on another server": on(
        "", of({"reference": f"{THERE}/Patient/p1"}), patient_on=HERE
    ),
    "a relative reference made on another server": on(
        THERE, of({"reference": "Patient/p1"}), patient_on=HERE
    ),
    "an address, and the patient's server is not said": on(
        "", of({"reference": f"{HERE}/Patient/p1"})
    ),
    "a relative reference made on a server, and the patient's is not said": on(
        HERE, of({"reference": "Patient/p1"})
    ),
    "an address that only ends alike": on(
        "", of({"reference": f"{HERE}/x/Patient/p1"}), patient_on=HERE
    ),
    "another value in the same system": on("", of({"identifier": {"system": MRN, "value": "9"}})),
    "the same value in another system": on("", of({"identifier": {"system": OTHER, "value": "7"}})),
    "an identifier without a system": on("", of({"identifier": {"value": "7"}})),
    "a reference that agrees and an identifier that does not": on(
        "", of({"reference": "Patient/p1", "identifier": {"system": MRN, "value": "9"}})
    ),
    "a name alone": on("", of({"display": "Maribel Quillfeather"})),
    "a patient inside": on("", of({"reference": "#p1"})),
}


@pytest.mark.parametrize("content", ITS_OWN.values(), ids=ITS_OWN.keys())
def test_it_is_this_patients(content: Json) -> None:
    record = read_bundle(content)
    assert len(record.current) == 1
    assert asked(record) == []


@pytest.mark.parametrize("content", NOT_ITS_OWN.values(), ids=NOT_ITS_OWN.keys())
def test_anything_else_is_refused_by_both_readers(content: Json) -> None:
    with pytest.raises(Unreadable) as refused:
        read_bundle(content)
    assert refused.value.category is ReadCategory.CONFLICT
    assert refused.value.expression == f"{ONE}.subject"
    with pytest.raises(Unreadable):
        read_course(
            content, version=FhirVersion.R4, as_of=AS_OF, codes=CODES, preparations=PREPARATIONS
        )


MATTERS = {
    "a thyroid medicine": request(LT4_100, TABLET, id="r9"),
    "a medicine that a rule knows": statement({"text": "warfarin"}, TABLET, id="s9"),
    "a result that is read": observation("3016-3", ucum(2, "m[IU]/L")),
    "a condition that a rule knows": condition("49436004"),
    "a medicine that nothing names": request({}, TABLET, id="r9"),
    "an allergy that a rule knows": {
        "resourceType": "AllergyIntolerance",
        "id": "a",
        "code": {"text": "levothyroxine"},
    },
}


def of_nobody(resource: Json, said: Json | None = None) -> Json:
    """It says not whose it is, or names nobody there."""
    rest = {k: v for k, v in resource.items() if k != "subject"}
    element = "patient" if resource["resourceType"] == "AllergyIntolerance" else "subject"
    return rest if said is None else {**rest, element: said}


@pytest.mark.parametrize("said", [None, {}, {"type": "Patient"}])
@pytest.mark.parametrize("resource", MATTERS.values(), ids=MATTERS.keys())
def test_where_others_say_whose_they_are_one_that_does_not_is_asked_about(
    resource: Json, said: Json | None
) -> None:
    """FHIR R4: ``subject`` is 1..1 of orders and statements, 0..1 of an Observation."""
    content = bundle(TAKEN, of_nobody(resource, said))
    element = "patient" if resource["resourceType"] == "AllergyIntolerance" else "subject"
    assert f"Bundle.entry[2].resource.{element}" in asked(read_bundle(content))
    with pytest.raises(Undecided, match="does not say whose it is"):
        read_course(
            content, version=FhirVersion.R4, as_of=AS_OF, codes=CODES, preparations=PREPARATIONS
        )


@pytest.mark.parametrize(
    "resource",
    [
        statement({"text": "cetirizine"}, TABLET, id="s9"),
        observation("2345-7", ucum(5, "mmol/L")),
        condition("38341003"),
    ],
    ids=lambda resource: resource["id"],
)
def test_what_no_rule_knows_is_not_asked_about_whoever_it_is_of(resource: Json) -> None:
    assert asked(read_bundle(bundle(TAKEN, of_nobody(resource)))) == []


def test_where_nobody_says_whose_it_is_all_of_it_is_the_one_patients() -> None:
    """A record that was written by hand, for a first call."""
    results = [of_nobody(each) for each in (TAKEN, MATTERS["a result that is read"])]
    record = read_bundle(bundle(*results))
    assert asked(record) == []
    assert len(record.current) == len(record.facts.measurements or ()) == 1
    assert [u.expression for u in record.unread] == [
        f"{ONE}.subject",
        "Bundle.entry[2].resource.subject",
    ]


def test_a_subject_that_is_empty_names_nobody() -> None:
    record = read_bundle(bundle(of_nobody(TAKEN, {}), of_nobody(observation("2345-7"), {})))
    assert asked(record) == []
    assert len(record.current) == 1


def test_a_subject_of_another_type_is_refused_by_its_place() -> None:
    with pytest.raises(Unreadable) as refused:
        read_bundle(bundle({**TAKEN, "subject": "Patient/p1"}))
    assert (refused.value.category, refused.value.expression) == (
        ReadCategory.STRUCTURE, f"{ONE}.subject",
    )  # fmt: skip


@pytest.mark.parametrize(
    "resource",
    [
        observation("3016-3", ucum(2, "m[IU]/L")),
        observation("2345-7", ucum(5, "mmol/L")),
        condition("49436004"),
        {"resourceType": "Goal", "id": "g", "lifecycleStatus": "active"},
        {"resourceType": "MedicationDispense", "id": "d", "status": "completed"},
    ],
    ids=lambda resource: f"{resource['resourceType']} {resource['id']}",
)
def test_every_kind_that_is_read_must_be_this_patients(resource: Json) -> None:
    with pytest.raises(Unreadable, match="another patient"):
        read_bundle(bundle({**resource, "subject": {"reference": "Patient/p2"}}))


def referring(server: str, medication_on: str, reference: str) -> Json:
    """A statement that refers to a Medication, each on a server."""
    named = {k: v for k, v in TAKEN.items() if k != "medicationCodeableConcept"}
    tablet = {"resourceType": "Medication", "id": "m", "code": LT4_100}
    content = on(server, {**named, "medicationReference": {"reference": reference}}, tablet,
                 patient_on=server)  # fmt: skip
    content["entry"][2].pop("fullUrl", None)
    if medication_on:
        content["entry"][2]["fullUrl"] = f"{medication_on}/Medication/m"
    return content


@pytest.mark.parametrize(
    ("server", "medication_on", "reference", "found"),
    [
        ("", "", "Medication/m", True),
        (HERE, HERE, "Medication/m", True),
        (HERE, HERE, f"{HERE}/Medication/m", True),
        (HERE, THERE, f"{THERE}/Medication/m", True),
        (HERE, THERE, "Medication/m", False),
        (HERE, HERE, f"{THERE}/Medication/m", False),
        (HERE, "", "Medication/m", False),
    ],
)
def test_a_medication_is_found_on_its_own_server_alone(
    server: str, medication_on: str, reference: str, found: bool
) -> None:
    record = read_bundle(referring(server, medication_on, reference))
    assert (len(record.current) == 1 and not record.questions) is found
    assert asked(record) == ([] if found else [f"{ONE}.medication"])


def test_two_servers_may_have_different_resources_of_one_id() -> None:
    other = {**request(LT4_100, TABLET), "subject": {"reference": f"{HERE}/Patient/p1"}}
    content = on(HERE, {**other, "id": "r1"}, {**other, "id": "r1", "status": "stopped"},
                 patient_on=HERE)  # fmt: skip
    content["entry"][2]["fullUrl"] = f"{THERE}/MedicationRequest/r1"
    record = read_bundle(content)
    assert [entry.reference for entry in (*record.current, *record.past)] == [
        "MedicationRequest/r1",
        f"{THERE}/MedicationRequest/r1",
    ]


@pytest.mark.parametrize("element", ["derivedFrom", "basedOn"])
@pytest.mark.parametrize(
    ("reference", "kept", "questions"),
    [
        ("MedicationRequest/r1", 1, []),
        (f"{HERE}/MedicationRequest/r1", 1, []),
        (f"{THERE}/MedicationRequest/r1", 2, [f"{ONE}"]),
    ],
)
def test_a_statement_was_made_from_an_order_of_its_own_server(
    element: str, reference: str, kept: int, questions: list[str]
) -> None:
    ordered = request(LT4_100, TABLET)
    stated = {**TAKEN, element: [{"reference": reference}]}
    record = read_bundle(on(HERE, ordered, stated, patient_on=HERE))
    assert len(record.current) == kept
    assert bool(asked(record)) is bool(questions)


def test_a_prior_order_whose_server_is_not_said_is_asked_about() -> None:
    newer = {
        **request(LT4_100, TABLET, id="r2"),
        "priorPrescription": {"reference": f"{HERE}/MedicationRequest/r1"},
    }
    record = read_bundle(bundle(newer, request(LT4_100, TABLET)))
    assert f"{ONE}.priorPrescription" in asked(record)


def test_the_screening_is_in_doubt_where_the_server_of_a_prior_order_is_not_said() -> None:
    old = request(THYROID_60, TABLET, id="r0", status="completed", authoredOn="2025-01-03")
    newer = {
        **request(LT4_100, TABLET, id="r2"),
        "priorPrescription": {"reference": f"{HERE}/MedicationRequest/r1"},
    }
    content = bundle(old, newer, request(LT4_100, TABLET))
    with pytest.raises(Undecided, match="another one on another server"):
        read_course(
            content, version=FhirVersion.R4, as_of=AS_OF, codes=CODES, preparations=PREPARATIONS
        )
