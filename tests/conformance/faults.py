"""Faults planted in an answer, and what the walker must say of each."""

from decimal import Decimal

from tests.unit.writing.answers import only, resources

from crossgrain.names.identity import FhirVersion

GROUPS = {FhirVersion.R4: "RequestGroup", FhirVersion.R5: "RequestOrchestration"}
NOWHERE = "urn:uuid:9f3b2c1e-0000-5000-8000-000000000000"


def order(bundle):
    return resources(bundle, "MedicationRequest")[0]


def repeat(bundle):
    return order(bundle)["dosageInstruction"][0]["timing"]["repeat"]


def ordered_dose(bundle):
    return order(bundle)["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"]


def checkpoint(bundle):
    """The group of the checkpoint, whatever its version calls it."""
    (group,) = [r for r in resources(bundle) if r["resourceType"] in GROUPS.values()]
    return group["action"][0]


def option(bundle):
    return checkpoint(bundle)["action"][0]


def planned(bundle):
    return only(bundle, "CarePlan")["activity"][0]


# Each plants one fault; the words are what the walker must say of it.
OF_BOTH = {
    "a missing required element": (
        lambda b: order(b).pop("subject"),
        "MedicationRequest.subject is missing",
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
        "proposed is not in http://hl7.org/fhir/ValueSet/medicationrequest-status|{number}",
    ),
    "a selection behaviour that does not exist": (
        lambda b: checkpoint(b).update(selectionBehavior="one"),
        "one is not in http://hl7.org/fhir/ValueSet/action-selection-behavior|{number}",
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
    "a reference to the wrong type": (
        lambda b: order(b).update(priorPrescription={"reference": "MedicationStatement/old-1"}),
        "a MedicationStatement may not stand here",
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
    "a condition without an expression": (
        lambda b: option(b)["condition"][0]["expression"].pop("expression"),
        "exp-1:",
    ),
}

OF_R4 = {
    "an unknown element": (
        lambda b: order(b).update(medication={"text": "x"}),
        "MedicationRequest has no such element",
    ),
    "two of a choice": (
        lambda b: order(b).update(medicationReference={"reference": "Medication/1"}),
        "more than one MedicationRequest.medication[x]",
    ),
    "a reference that leads nowhere": (
        lambda b: planned(b).update(reference={"reference": NOWHERE}),
        f"{NOWHERE} leads nowhere",
    ),
    "an action with both a resource and actions": (
        lambda b: option(b).update(resource={"reference": "Task/1"}),
        "rqg-1:",
    ),
    "a request in a collection": (
        lambda b: b["entry"][1].update(request={"method": "POST", "url": "CarePlan"}),
        "bdl-3:",
    ),
}


def own_behalf(bundle):
    agent = only(bundle, "Provenance")["agent"][0]
    agent["who"] = agent["onBehalfOf"] = {"reference": bundle["entry"][1]["fullUrl"]}


def operation(bundle):
    """An operation whose text parameter is said to be of a profile of references."""
    parameter = {"name": "x", "use": "in", "min": 0, "max": "1", "type": "string"}
    parameter["targetProfile"] = ["http://hl7.org/fhir/StructureDefinition/Patient"]
    definition = {"resourceType": "OperationDefinition", "name": "X", "status": "draft"}
    definition |= {"kind": "operation", "code": "x", "system": True, "type": False}
    definition |= {"instance": False, "parameter": [parameter]}
    bundle["entry"].append({"fullUrl": NOWHERE, "resource": definition})


OF_R5 = {
    "an element that was R4's": (
        lambda b: order(b).update(medicationCodeableConcept={"text": "x"}),
        "MedicationRequest has no such element",
    ),
    "a resource type that was R4's": (
        lambda b: b["entry"][1]["resource"].update(resourceType="RequestGroup"),
        "there is no resource type RequestGroup",
    ),
    "two of a choice": (
        lambda b: order(b)["substitution"].update(allowedBoolean=True),
        "more than one MedicationRequest.substitution.allowed[x]",
    ),
    "a reference that leads nowhere": (
        lambda b: planned(b).update(plannedActivityReference={"reference": NOWHERE}),
        f"{NOWHERE} leads nowhere",
    ),
    "a reference to the wrong type beside a concept": (
        lambda b: order(b).update(medication={"reference": {"reference": "Patient/p01"}}),
        "a Patient may not stand here",
    ),
    "an action with both a resource and actions": (
        lambda b: option(b).update(resource={"reference": "Task/1"}),
        "rqg-1:",
    ),
    "a request in a collection": (
        lambda b: b["entry"][1].update(request={"method": "POST", "url": "CarePlan"}),
        "bdl-3",
    ),
    "a restriction of what asks for no fulfilment": (
        lambda b: resources(b, "Task")[0].update(restriction={"repetitions": 1}),
        "tsk-1:",
    ),
    "a contained resource that nothing refers to": (
        lambda b: b["entry"][0]["resource"]["contained"].append(
            {"resourceType": "Basic", "id": "loose", "code": {"text": "x"}}
        ),
        "dom-3:",
    ),
    "an agent on its own behalf": (own_behalf, "prov-1:"),
    "a profile of references on a text": (operation, "opd-3:"),
}

FAULTS = {
    (version, name): (plant, words.replace("{number}", version.number))
    for version, own in ((FhirVersion.R4, OF_R4), (FhirVersion.R5, OF_R5))
    for name, (plant, words) in (OF_BOTH | own).items()
}
