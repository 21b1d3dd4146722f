"""Everything in which an R5 answer differs from an R4 one, in one place."""

from collections.abc import Callable
from typing import Any

from crossgrain.writing.letterhead import Resource


def to_r5(resource: Resource) -> Resource:
    """Turn a resource just written for R4 into its R5 form, in place, and return it."""
    change = _CHANGES.get(resource["resourceType"])
    if change:
        change(resource)
    for contained in resource.get("contained", ()):
        to_r5(contained)
    return resource


def _concept(concept: dict[str, Any]) -> dict[str, Any]:
    """CodeableConcept to CodeableReference."""
    return {"concept": concept}


def _medication_request(resource: Resource) -> None:
    resource["medication"] = _concept(resource.pop("medicationCodeableConcept"))
    issues = resource.pop("detectedIssue", [])
    if issues:
        resource["supportingInformation"] = resource.get("supportingInformation", []) + issues


def _service_request(resource: Resource) -> None:
    resource["code"] = _concept(resource["code"])
    resource["patientInstruction"] = [{"instructionMarkdown": resource["patientInstruction"]}]


def _task(resource: Resource) -> None:
    # tsk-1 of R5 leaves restriction to a Task that asks for fulfilment.
    resource["requestedPeriod"] = resource.pop("restriction")["period"]


def _request_group(resource: Resource) -> None:
    resource["resourceType"] = "RequestOrchestration"


def _care_plan(resource: Resource) -> None:
    resource["activity"] = [
        {"plannedActivityReference": activity["reference"]} for activity in resource["activity"]
    ]


def _guidance_response(resource: Resource) -> None:
    resource["evaluationMessage"] = resource["evaluationMessage"][0]
    if "result" in resource:
        resource["result"] = [resource["result"]]


def _detected_issue(resource: Resource) -> None:
    resource["subject"] = resource.pop("patient")


def _device(resource: Resource) -> None:
    resource["name"] = [
        {"value": name["name"], "type": name["type"]} for name in resource.pop("deviceName")
    ]
    resource["type"] = [resource["type"]]


_CHANGES: dict[str, Callable[[Resource], None]] = {
    "MedicationRequest": _medication_request,
    "ServiceRequest": _service_request,
    "Task": _task,
    "RequestGroup": _request_group,
    "CarePlan": _care_plan,
    "GuidanceResponse": _guidance_response,
    "DetectedIssue": _detected_issue,
    "Device": _device,
}
