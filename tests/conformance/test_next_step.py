"""What a visit after the first is answered with holds to the official definitions of FHIR."""

import json

import pytest
from tests.api.calls import VISITS
from tests.conformance.node import needs_node, needs_packages, walked
from tests.conformance.patients import FIXTURES
from tests.conformance.r5_records import as_r5

from crossgrain.names.identity import FhirVersion

pytestmark = [needs_node, needs_packages]
GROUPS = {FhirVersion.R4: "RequestGroup", FhirVersion.R5: "RequestOrchestration"}


def record_of(visit, version):
    record = json.loads((FIXTURES / "visits" / f"{visit['name']}.json").read_text("utf-8"))
    return record if version is FhirVersion.R4 else as_r5(record)


def answer_to(client, visit, version, form=("response", "collection")):
    asked = [("as-of", visit["as_of"]), form]
    asked += [("stock", each) for each in visit.get("stock", ())]
    sent = client.post(f"/fhir/{version}/$next-step", params=asked, json=record_of(visit, version))
    assert sent.status_code == 200, sent.text
    return sent.json()


@pytest.mark.parametrize("version", FhirVersion)
def test_every_record_of_a_visit_is_without_a_fault(version):
    reports = walked([record_of(visit, version) for visit in VISITS], version)
    assert [report["faults"] for report in reports] == [[]] * len(VISITS)


@pytest.mark.parametrize(
    "form", [("response", "collection"), ("response", "transaction"), ("detail", "brief")]
)
@pytest.mark.parametrize("version", FhirVersion)
def test_every_next_step_is_without_a_fault(client, version, form):
    answers = [answer_to(client, visit, version, form) for visit in VISITS]
    reports = walked(answers, version)
    assert {v["name"]: r["faults"] for v, r in zip(VISITS, reports, strict=True)} == {
        visit["name"]: [] for visit in VISITS
    }


# Each plants one fault in what only a next step writes; the words are what the walker must say.
PLANTED = {
    "a plan that replaces an order": (
        "CarePlan",
        lambda plan: plan["replaces"][0].update(reference="MedicationRequest/1"),
        "a MedicationRequest may not stand here",
    ),
    "a single plan for the list of those replaced": (
        "CarePlan",
        lambda plan: plan.update(replaces=plan["replaces"][0]),
        "a list is expected",
    ),
    "two orders before one": (
        "MedicationRequest",
        lambda order: order.update(priorPrescription=[order["priorPrescription"]]),
        "a single value is expected",
    ),
    "a task without a code for what is done": (
        "Task",
        lambda task: task["code"]["coding"][0].update(code=""),
        "an empty string",
    ),
    "a draw that replaces nothing": (
        "ServiceRequest",
        lambda draw: draw.update(replaces=[]),
        "an empty list",
    ),
}


@pytest.mark.parametrize("fault", PLANTED)
@pytest.mark.parametrize("version", FhirVersion)
def test_a_fault_in_what_a_next_step_replaces_is_found(client, version, fault):
    (visit,) = (visit for visit in VISITS if visit["name"] == "palpitations-with-tsh-low")
    kind, plant, words = PLANTED[fault]
    answer = answer_to(client, visit, version)
    resource = next(
        entry["resource"]
        for entry in answer["entry"]
        if entry["resource"]["resourceType"] == kind
        and (kind != "MedicationRequest" or "priorPrescription" in entry["resource"])
    )
    plant(resource)
    (report,) = walked([answer], version)
    assert any(words in fault["message"] for fault in report["faults"]), report["faults"]
