"""Every R4 answer holds to the official StructureDefinitions, invariants and code systems.

The walker is independent of our models: it reads HL7's own definitions and evaluates their
invariants with a FHIRPath engine. The planted faults prove that it sees.
"""

from copy import deepcopy
from decimal import Decimal

import pytest
from tests.conformance.answers import ANSWERS, answer
from tests.conformance.node import needs_node, needs_packages, run
from tests.conformance.patients import CATALOGUE, DIRECTIONS, every_direction
from tests.unit.write.answers import only, resources, written
from tests.unit.write.plans import levothyroxine_to_desiccated

from crossgrain.fhir.version import FhirVersion
from crossgrain.fhir.write.encode import to_json
from crossgrain.fhir.write.transaction import as_transaction

pytestmark = [needs_node, needs_packages]


def walked(bundles):
    return run("check.mjs", b"[" + b",".join(map(to_json, bundles)) + b"]")


def test_every_answer_and_every_transaction_is_without_a_fault():
    answers = [answer(name) for name, (_, version) in ANSWERS.items() if version is FhirVersion.R4]
    reports = walked([*answers, *map(as_transaction, answers)])
    assert [report["faults"] for report in reports] == [[]] * (2 * len(answers))
    assert reports[0]["elements"] > 1000
    assert reports[0]["invariants"] > 1000


def test_every_patient_to_every_target_is_without_a_fault():
    proposals = every_direction()
    reports = walked([written(made, codes=CATALOGUE.codes) for made in proposals])
    assert len(proposals) > len(DIRECTIONS) / 2
    assert [report["faults"] for report in reports] == [[]] * len(proposals)


def order(bundle):
    return resources(bundle, "MedicationRequest")[0]


def repeat(bundle):
    return order(bundle)["dosageInstruction"][0]["timing"]["repeat"]


def ordered_dose(bundle):
    return order(bundle)["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"]


def option(bundle):
    return only(bundle, "RequestGroup")["action"][0]["action"][0]


# Each plants one fault; the words are what the walker must say of it.
FAULTS = {
    "an unknown element": (
        lambda b: order(b).update(medication={"text": "x"}),
        "MedicationRequest has no such element",
    ),
    "a missing required element": (
        lambda b: order(b).pop("subject"),
        "MedicationRequest.subject is missing",
    ),
    "two of a choice": (
        lambda b: order(b).update(medicationReference={"reference": "Medication/1"}),
        "more than one MedicationRequest.medication[x]",
    ),
    "a list for a single value": (
        lambda b: order(b).update(status=["draft"]),
        "a single value is expected",
    ),
    "a single value for a list": (
        lambda b: order(b).update(note={"text": "x"}),
        "a list is expected",
    ),
    "an empty list": (lambda b: order(b).update(note=[]), "an empty list"),
    "an empty string": (lambda b: order(b)["note"][0].update(text=""), "an empty string"),
    "an empty object": (
        lambda b: order(b).update(subject={}),
        "an object with content is expected",
    ),
    "a number as a string": (
        lambda b: ordered_dose(b).update(value="1"),
        "a number is expected for decimal",
    ),
    "a date that is none": (
        lambda b: order(b).update(authoredOn="29 April 2024"),
        "this is not a dateTime",
    ),
    "an id with a blank": (lambda b: order(b).update(id="a b"), "this is not a id"),
    "a status outside the required value set": (
        lambda b: order(b).update(status="proposed"),
        "proposed is not in http://hl7.org/fhir/ValueSet/medicationrequest-status|4.0.1",
    ),
    "a selection behaviour that does not exist": (
        lambda b: only(b, "RequestGroup")["action"][0].update(selectionBehavior="one"),
        "one is not in http://hl7.org/fhir/ValueSet/action-selection-behavior|4.0.1",
    ),
    "a code unknown to its system": (
        lambda b: resources(b, "Task")[0]["code"]["coding"][0].update(code="stop"),
        "http://hl7.org/fhir/CodeSystem/task-code has no code stop",
    ),
    "a display that is another code's": (
        lambda b: order(b)["substitution"]["allowedCodeableConcept"]["coding"][0].update(
            display="none"
        ),
        "G is displayed as generic composition",
    ),
    "a unit that UCUM does not know": (
        lambda b: ordered_dose(b).update(code="mcg"),
        "mcg is not a UCUM unit",
    ),
    "a reference that leads nowhere": (
        lambda b: only(b, "CarePlan")["activity"][0].update(
            reference={"reference": "urn:uuid:9f3b2c1e-0000-5000-8000-000000000000"}
        ),
        "urn:uuid:9f3b2c1e-0000-5000-8000-000000000000 leads nowhere",
    ),
    "a reference to the wrong type": (
        lambda b: order(b).update(priorPrescription={"reference": "MedicationStatement/old-1"}),
        "a MedicationStatement may not stand here",
    ),
    "an action with both a resource and actions": (
        lambda b: option(b).update(resource={"reference": "Task/1"}),
        "rqg-1:",
    ),
    "a period that ends before it starts": (
        lambda b: repeat(b)["boundsPeriod"].update(start="2030-01-01"),
        "per-1:",
    ),
    "a period without its unit": (
        lambda b: repeat(b).pop("periodUnit"),
        "tim-2:",
    ),
    "a frequency over a negative period": (
        lambda b: repeat(b).update(period=Decimal(-1)),
        "tim-5:",
    ),
    "a supply duration in another system": (
        lambda b: order(b)["dispenseRequest"]["expectedSupplyDuration"].update(system="urn:x"),
        "drt-1:",
    ),
    "a parameter with a value and parts": (
        lambda b: b["entry"][0]["resource"]["contained"][1]["parameter"][0].update(
            part=[{"name": "x", "valueString": "y"}]
        ),
        "inv-1:",
    ),
    "one full URL twice": (
        lambda b: b["entry"][1].update(fullUrl=b["entry"][2]["fullUrl"]),
        "bdl-7:",
    ),
    "a request in a collection": (
        lambda b: b["entry"][1].update(request={"method": "POST", "url": "CarePlan"}),
        "bdl-3:",
    ),
    "a condition without an expression": (
        lambda b: option(b)["condition"][0]["expression"].pop("expression"),
        "exp-1:",
    ),
}


@pytest.fixture(scope="module")
def faulty():
    sound = written(levothyroxine_to_desiccated())
    bundles = []
    for plant, _ in FAULTS.values():
        bundle = deepcopy(sound)
        plant(bundle)
        bundles.append(bundle)
    return dict(zip(FAULTS, walked(bundles), strict=True))


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_seen(faulty, fault):
    words = FAULTS[fault][1]
    assert any(found["message"].startswith(words) for found in faulty[fault]["faults"])
