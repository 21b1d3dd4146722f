"""The forms an answer goes out in: R4 or R5, collected or a transaction, its sheet, its bytes."""

from base64 import b64encode
from collections.abc import Callable, Iterator, Mapping
from hashlib import sha1
from types import MappingProxyType
from typing import Any

import msgspec

from crossgrain.names.identity import RESOURCE_SYSTEM, FhirVersion, stable_id, urn
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import Loinc
from crossgrain.writing.dosage import concept
from crossgrain.writing.elements import narrative, paragraph
from crossgrain.writing.letterhead import Resource

_ENCODER = msgspec.json.Encoder(decimal_format="number")


def to_json(resource: Mapping[str, Any] | msgspec.Struct, pretty: bool = False) -> bytes:
    """Encode a resource, or a struct; a `Decimal` keeps every digit it was given.

    >>> from decimal import Decimal
    >>> to_json({"value": Decimal("1.50")})
    b'{"value":1.50}'
    """
    encoded = _ENCODER.encode(resource)
    return msgspec.json.format(encoded, indent=2) if pretty else encoded


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


def _reasons(resource: Resource) -> None:
    """Why, of a request: codes and references are one element."""
    codes, named = resource.pop("reasonCode", []), resource.pop("reasonReference", [])
    if reasons := [*map(_concept, codes), *({"reference": reference} for reference in named)]:
        resource["reason"] = reasons


_WHERE_TAKEN = "http://terminology.hl7.org/CodeSystem/medicationrequest-admin-location"


def _medication_request(resource: Resource) -> None:
    resource["medication"] = _concept(resource.pop("medicationCodeableConcept"))
    _reasons(resource)
    for category in resource["category"]:
        category["coding"][0]["system"] = _WHERE_TAKEN
    issues = resource.pop("detectedIssue", [])
    if issues:
        resource["supportingInformation"] = resource.get("supportingInformation", []) + issues


def _service_request(resource: Resource) -> None:
    resource["code"] = _concept(resource["code"])
    _reasons(resource)
    resource["patientInstruction"] = [{"instructionMarkdown": resource["patientInstruction"]}]
    if "supportingInfo" in resource:
        resource["supportingInfo"] = [{"reference": info} for info in resource["supportingInfo"]]


def _task(resource: Resource) -> None:
    # tsk-1 of R5 leaves restriction to a Task that asks for fulfilment.
    resource["requestedPeriod"] = resource.pop("restriction")["period"]


def _request_group(resource: Resource) -> None:
    resource["resourceType"] = "RequestOrchestration"


def _care_plan(resource: Resource) -> None:
    if "addresses" in resource:
        resource["addresses"] = [{"reference": reference} for reference in resource["addresses"]]
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


def _document_reference(resource: Resource) -> None:
    for content in resource["content"]:
        size = content["attachment"]["size"]
        content["attachment"]["size"] = str(size)  # integer64, which JSON has as a string


def _questionnaire(resource: Resource) -> None:
    _coding_items(resource["item"])


def _coding_items(items: list[Resource]) -> None:
    """R5 calls a choice a coding."""
    for item in items:
        if item["type"] == "choice":
            item["type"] = "coding"
        _coding_items(item.get("item", []))


_CHANGES: dict[str, Callable[[Resource], None]] = {
    "MedicationRequest": _medication_request,
    "ServiceRequest": _service_request,
    "Task": _task,
    "RequestGroup": _request_group,
    "CarePlan": _care_plan,
    "GuidanceResponse": _guidance_response,
    "DetectedIssue": _detected_issue,
    "Device": _device,
    "DocumentReference": _document_reference,
    "Questionnaire": _questionnaire,
}


def as_transaction(
    bundle: dict[str, Any], updates: Mapping[str, Resource] = MappingProxyType({})
) -> dict[str, Any]:
    """The same entries, each to be created unless a resource of its name is there.

    References inside the Bundle are URNs, which the server replaces; what else it cites has been
    given a name that the server knows before.

    Parameters
    ----------
    updates : ``fullUrl`` of an entry that the server holds already → the request that changes it
    """
    entries = [
        _updated(entry, updates[entry["fullUrl"]])
        if entry["fullUrl"] in updates
        else _created(entry)
        for entry in bundle["entry"]
    ]
    return {**bundle, "type": "transaction", "entry": entries}


def _updated(entry: dict[str, Any], request: Resource) -> dict[str, Any]:
    """Where it is found by a search, the server knows its id, and refuses another."""
    resource = entry["resource"]
    if "?" in request["url"]:
        resource = {name: value for name, value in resource.items() if name != "id"}
    return {**entry, "resource": resource, "request": request}


def with_earlier(bundle: dict[str, Any], earlier: Resource) -> dict[str, Any]:
    """The answer, and behind it what it names of an earlier one, which no server holds yet.

    All of the earlier answer goes along, since its parts name each other; what a server holds
    already is not created twice. Only what is named as we name it can be looked for there.
    """
    known = {entry["fullUrl"] for entry in bundle["entry"]}
    before = [
        {"fullUrl": named, "resource": resource}
        for resource in _held(earlier)
        if (named := urn(str(resource.get("id")))) not in known and _is_own(resource)
    ]
    return {**bundle, "entry": [*bundle["entry"], *before]}


def _held(earlier: Resource) -> Iterator[Resource]:
    """The resources of an earlier answer; a care plan alone is one."""
    if earlier["resourceType"] != "Bundle":
        yield earlier
        return
    yield from (entry["resource"] for entry in earlier["entry"])


def _is_own(resource: Resource) -> bool:
    """Whether it carries its id as its business identifier, or is a Provenance, which has none."""
    own = {"system": RESOURCE_SYSTEM, "value": resource.get("id")}
    named = resource.get("identifier")
    return resource["resourceType"] == "Provenance" or (isinstance(named, list) and own in named)


def _created(entry: dict[str, Any]) -> dict[str, Any]:
    resource: Resource = entry["resource"]
    if _is_own(resource) and "identifier" in resource:
        unless = f"identifier={RESOURCE_SYSTEM}|{resource['id']}"
    else:  # Provenance has no identifier of ours; a tag is kept and searched just the same
        tag = {"system": RESOURCE_SYSTEM, "code": resource["id"]}
        resource = {**resource, "meta": {"tag": [tag]}}
        unless = f"_tag={RESOURCE_SYSTEM}|{resource['id']}"
    request = {"method": "POST", "url": resource["resourceType"], "ifNoneExist": unless}
    return {**entry, "resource": resource, "request": request}


_NOTES = "http://hl7.org/fhir/us/core/CodeSystem/us-core-documentreference-category"
"""US Core's categories of documents; FHIR's own example says only where one was written."""
UNTITLED = "What the service found"


@frozen
class PlanPage:
    """A plan on paper: its media type and its bytes, self-contained."""

    media_type: str
    content: bytes


def page_document(answer: Resource, page: Callable[[str], PlanPage]) -> Resource:
    """A DocumentReference with the page inside it.

    Parameters
    ----------
    answer : the Bundle that the page shows
    page : makes it, given the id of the document
    """
    about = _about(answer)
    title = about.get("title", UNTITLED)
    document_id = stable_id(f"{about['id']}|DocumentReference")
    made = page(document_id)
    return {
        "resourceType": "DocumentReference",
        "id": document_id,
        "text": narrative(paragraph(title)),
        "identifier": [{"system": RESOURCE_SYSTEM, "value": document_id}],
        "status": "current",
        "docStatus": "preliminary",
        "type": {
            **concept(Loinc.system, "18776-5", "Plan of care note"),
            "text": "Proposed plan, to be read and decided on by the prescriber",
        },
        "category": [concept(_NOTES, "clinical-note", "Clinical Note")],
        "subject": dict(about["subject"]),
        "date": answer["timestamp"],
        "description": title,
        "content": [
            {
                "attachment": {
                    "contentType": made.media_type,
                    "language": "en",
                    "data": b64encode(made.content).decode("ascii"),
                    "size": len(made.content),
                    # FHIR asks for SHA-1: it tells a damaged copy, not a forged one.
                    "hash": b64encode(sha1(made.content, usedforsecurity=False).digest()).decode(),
                    "title": title,
                    "creation": answer["timestamp"],
                }
            }
        ],
    }


def with_page(answer: Resource, page: Callable[[str], PlanPage], version: FhirVersion) -> Resource:
    """The answer with its page: before the Provenance, and among that one's targets."""
    document = page_document(answer, page)
    if version is FhirVersion.R5:
        to_r5(document)
    *others, last = answer["entry"]
    named = urn(document["id"])
    provenance = last["resource"]
    targets = [*provenance["target"], {"reference": named}]
    return {
        **answer,
        "entry": [
            *others,
            {"fullUrl": named, "resource": document},
            {**last, "resource": {**provenance, "target": targets}},
        ],
    }


def _about(answer: Resource) -> Resource:
    """The care plan, or where there is none the guidance that leads every answer."""
    resources: list[dict[str, Any]] = [entry["resource"] for entry in answer["entry"]]
    plans = [resource for resource in resources if resource["resourceType"] == "CarePlan"]
    return plans[0] if plans else resources[0]
