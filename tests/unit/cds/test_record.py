"""The record of a hook: put together, led back to the call, refused by its place."""

import json
from datetime import date
from typing import Any

import pytest
from tests.api.hooks import grains, patient

from crossgrain.catalogue import Catalogue
from crossgrain.cds.hook import ClientServer, DraftOrder
from crossgrain.cds.record import (
    assemble,
    check_patient,
    check_required,
    orders_for_hormone,
    read,
    stub_of,
)
from crossgrain.cds.services import Gathered, PlacedResource, Template, TemplateAnswer
from crossgrain.names.identity import stable_id, urn
from crossgrain.operations.faults import Complaint, Fault, RequestRefused
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.json import parse

DAY = date(2025, 3, 2)
ORDERS = Template("medicationRequests", "MedicationRequest", "MedicationRequest?x", required=True)
PATIENT = Template("patient", "Patient", "Patient/x", required=True)
GOALS = Template("goals", "Goal", "Goal?x")
RX = grains(60, "p01")
RX_URN = urn(stable_id("MedicationRequest/rx-1"))


def draft(resource: dict[str, Any], number: int = 0) -> DraftOrder:
    place = f"context.draftOrders.entry[{number}].resource"
    return DraftOrder(f"MedicationRequest/{resource['id']}", place, resource)


def gathered(*resources: dict[str, Any], url: str = "") -> list[Gathered]:
    parts = tuple(PlacedResource(f"prefetch.x[{n}]", one, url) for n, one in enumerate(resources))
    return [Gathered(ORDERS, TemplateAnswer.GIVEN, parts)]


def test_an_order_in_draft_stands_behind_what_was_gathered_under_its_own_name() -> None:
    assembled = assemble(gathered({"resourceType": "Goal", "id": "g"}), [draft(RX)])
    judged = {key: value for key, value in RX.items() if key != "id"}
    assert assembled.bundle == {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"resource": {"resourceType": "Goal", "id": "g"}},
            {"fullUrl": "MedicationRequest/rx-1", "resource": judged},
        ],
    }
    assert assembled.places == ("prefetch.x[0]", "context.draftOrders.entry[0].resource")
    assert assembled.in_session == {"MedicationRequest/rx-1"}
    assert assembled.reference("MedicationRequest/rx-1") == "MedicationRequest/rx-1"


def test_an_order_that_revises_one_that_stands_replaces_it_and_both_are_seen() -> None:
    """What stands is what is taken, until the revision is signed."""
    standing = RX | {"status": "active"}
    revision = RX | {"status": "active", "note": [{"text": "new"}]}
    assembled = assemble(gathered(standing), [draft(revision)])
    first, second = assembled.bundle["entry"]
    assert first == {"resource": standing}
    judged = {key: value for key, value in revision.items() if key != "id"}
    assert second == {
        "fullUrl": RX_URN,
        "resource": judged
        | {"status": "draft", "priorPrescription": {"reference": "MedicationRequest/rx-1"}},
    }
    assert assembled.in_session == {RX_URN}
    assert assembled.reference(RX_URN) == "MedicationRequest/rx-1"
    assert assembled.in_words(f"see {RX_URN}.") == "see MedicationRequest/rx-1."


def test_what_a_revision_says_that_it_replaces_is_kept() -> None:
    revision = RX | {"priorPrescription": {"reference": "MedicationRequest/other"}}
    assembled = assemble(gathered(RX | {"status": "active"}), [draft(revision)])
    replaced = assembled.bundle["entry"][1]["resource"]["priorPrescription"]
    assert replaced == {"reference": "MedicationRequest/other"}


def test_the_stored_copy_of_a_draft_is_not_judged_beside_it() -> None:
    assembled = assemble(gathered(RX), [draft(RX | {"note": []})])
    (entry,) = assembled.bundle["entry"]
    assert entry["fullUrl"] == "MedicationRequest/rx-1"
    assert assembled.places == ("context.draftOrders.entry[0].resource",)


def test_another_draft_of_the_record_stays_and_is_not_of_the_session() -> None:
    other = grains(30, "p01", own_id="rx-9")
    assembled = assemble(gathered(other), [draft(RX)])
    assert [entry["resource"].get("id") for entry in assembled.bundle["entry"]] == ["rx-9", None]
    assert assembled.in_session == {"MedicationRequest/rx-1"}


SERVER = ClientServer("https://ehr.example/fhir", None)


@pytest.mark.parametrize(
    ("server", "url", "own_id", "address"),
    [
        (SERVER, "", "g", "https://ehr.example/fhir/Goal/g"),
        (SERVER, "https://two.example/Goal/g", "g", "https://two.example/Goal/g"),
        (None, "https://two.example/Goal/g", "g", "https://two.example/Goal/g"),
        (None, "", "g", None),
        (SERVER, "", None, None),
    ],
)
def test_a_resource_is_at_its_own_address_or_the_servers(
    server: ClientServer | None, url: str, own_id: str | None, address: str | None
) -> None:
    """An id alone is no address: the same one may name somebody else on another server."""
    resource = {"resourceType": "Goal", "id": own_id}
    (entry,) = assemble(gathered(resource, url=url), [], server).bundle["entry"]
    assert entry.get("fullUrl") == address
    assert entry["resource"] == resource


@pytest.mark.parametrize(
    ("urls", "address"),
    [
        (["https://ehr.example/fhir/Goal/g"], "https://ehr.example/fhir/Patient/p01"),
        (["https://ehr.example/fhir/Goal/g", "https://other.example/Goal/g"], None),
        (["urn:uuid:7d1577c6-9dfb-44ad-ba6d-3e05e953b2ea"], None),
        ([""], None),
    ],
)
def test_where_no_server_is_named_it_is_the_one_that_every_address_is_on(
    urls: list[str], address: str | None
) -> None:
    """A read brings no address, and `fhirServer` is optional (CDS Hooks 2.0)."""
    goal = {"resourceType": "Goal", "id": "g"}
    person = {"resourceType": "Patient", "id": "p01"}
    found = [each for url in urls for each in gathered(goal, url=url)] + gathered(person)
    entry = assemble(found, ()).bundle["entry"][-1]
    assert entry.get("fullUrl") == address


def test_a_place_in_the_bundle_is_led_back_to_the_call() -> None:
    assembled = assemble(gathered({"resourceType": "Goal", "id": "g"}), [draft(RX)])
    led = assembled.place_of("Bundle.entry[1].resource.dosageInstruction[0].text")
    assert led == "context.draftOrders.entry[0].resource.dosageInstruction[0].text"
    assert assembled.place_of("Bundle.entry[0].resource") == "prefetch.x[0]"
    assert assembled.place_of("Bundle.timestamp") == "Bundle.timestamp"


def test_a_stub_is_a_patient_of_that_id_and_nothing_else() -> None:
    stub = stub_of("p01")
    assert stub.is_whole
    assert stub.template.kind == "Patient"
    assert stub.resources == (
        PlacedResource("context.patientId", {"resourceType": "Patient", "id": "p01"}),
    )


def test_a_record_is_read_with_its_drafts(catalogue: Catalogue) -> None:
    whole = [r for r in patient("01-levothyroxine-150.json") if r.get("status") != "draft"]
    sent = parse(json.dumps({"record": whole, "draft": RX}).encode())
    record = read(
        assemble(gathered(*sent["record"]), [draft(sent["draft"])]), catalogue, Calendar(DAY)
    )
    assert record.as_of == DAY
    assert record.regimen.t4_ug == 150
    assert [entry.reference for entry in record.drafts] == ["MedicationRequest/rx-1"]


AMOXICILLIN = RX | {"id": "rx-2", "medicationCodeableConcept": {"text": "amoxicillin 500 mg"}}


def test_of_the_drafts_those_for_thyroid_hormone_are_named(catalogue: Catalogue) -> None:
    drafts = [draft(RX), draft(AMOXICILLIN, 1)]
    assembled = assemble([stub_of("p01")], drafts)
    named = orders_for_hormone(assembled, catalogue, Calendar(DAY))
    assert named == {"MedicationRequest/rx-1"}


@pytest.mark.parametrize("reading", [read, orders_for_hormone])
def test_what_cannot_be_read_is_refused_at_its_place_in_the_call(
    catalogue: Catalogue, reading: Any
) -> None:
    of_another = draft(grains(60, "p02"))
    with pytest.raises(RequestRefused) as refused:
        reading(assemble([stub_of("p01")], [of_another]), catalogue, Calendar(DAY))
    (complaint,) = refused.value.complaints
    assert complaint.expression == "context.draftOrders.entry[0].resource.subject"
    assert complaint.message


def test_the_record_of_somebody_else_is_refused() -> None:
    other = {"resourceType": "Patient", "id": "p02"}
    with pytest.raises(RequestRefused) as refused:
        check_patient(gathered({"resourceType": "Goal", "id": "p02"}, other), "p01")
    assert refused.value.complaints == (
        Complaint(
            Fault.OPTIONS_DISAGREE,
            "prefetch.x[1].id",
            "this is not the patient of the context",
        ),
    )
    check_patient(gathered(other, {"resourceType": "Goal", "id": "g"}), "p02")


@pytest.mark.parametrize(
    ("got", "words"),
    [
        (Gathered(ORDERS, TemplateAnswer.GIVEN), None),
        (Gathered(ORDERS, TemplateAnswer.NO_DATA), None),
        (Gathered(ORDERS, TemplateAnswer.DECLINED), "MedicationRequest was not sent"),
        (
            Gathered(ORDERS, TemplateAnswer.PARTIAL, (PlacedResource("x", RX),)),
            "MedicationRequest is only a part",
        ),
        (Gathered(PATIENT, TemplateAnswer.NO_DATA), "Patient is required"),
        (Gathered(PATIENT, TemplateAnswer.GIVEN, (PlacedResource("x", {}),)), None),
        (Gathered(PATIENT, TemplateAnswer.DECLINED), "Patient was not sent"),
        (Gathered(GOALS, TemplateAnswer.DECLINED), None),
    ],
)
def test_no_dose_is_judged_without_the_whole_of_what_is_taken(
    got: Gathered, words: str | None
) -> None:
    if words is None:
        check_required([got])
        return
    with pytest.raises(RequestRefused) as refused:
        check_required([Gathered(GOALS, TemplateAnswer.DECLINED), got])
    assert refused.value.complaints == (
        Complaint(
            Fault.DATA_INCOMPLETE,
            f"prefetch.{got.template.key}",
            f"{words}: no dose is judged on a part of what is taken",
        ),
    )
