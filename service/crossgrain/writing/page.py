"""The plan sheet as a document, carried whole: no link leads to a patient's data."""

from base64 import b64encode
from typing import Any

from crossgrain.names.identity import RESOURCE_SYSTEM, stable_id, urn
from crossgrain.writing.letterhead import Resource
from crossgrain.writing.narrative import narrative, paragraph

UNTITLED = "What the service found"


def page_document(answer: Resource, page: bytes) -> Resource:
    """A DocumentReference with the page inside it.

    Parameters
    ----------
    answer : the Bundle that the page shows
    page : HTML, self-contained
    """
    about = _about(answer)
    title = about.get("title", UNTITLED)
    document_id = stable_id(f"{about['id']}|DocumentReference")
    return {
        "resourceType": "DocumentReference",
        "id": document_id,
        "text": narrative(paragraph(title)),
        "identifier": [{"system": RESOURCE_SYSTEM, "value": document_id}],
        "status": "current",
        "docStatus": "preliminary",
        "type": {"text": "Proposed plan, to be read and decided on by the prescriber"},
        "subject": dict(about["subject"]),
        "date": answer["timestamp"],
        "description": title,
        "content": [
            {
                "attachment": {
                    "contentType": "text/html",
                    "language": "en",
                    "data": b64encode(page).decode("ascii"),
                    "title": title,
                    "creation": answer["timestamp"],
                }
            }
        ],
    }


def with_page(answer: Resource, page: bytes) -> Resource:
    """The answer with its page: before the Provenance, and among that one's targets."""
    document = page_document(answer, page)
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
