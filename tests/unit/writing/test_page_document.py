"""The page inside its answer: one DocumentReference about the plan, and made by this service."""

from base64 import b64decode, b64encode
from hashlib import sha1

import pytest
from tests.conformance.test_parse import model
from tests.unit.writing.answers import only, resources, written
from tests.unit.writing.plans import EVERY, data_required, levothyroxine_to_desiccated

from crossgrain.names.identity import RESOURCE_SYSTEM, FhirVersion
from crossgrain.writing.forms import PlanPage, to_json, with_page

HTML = "<html>½ tablet</html>".encode()


def page(_: str) -> PlanPage:
    return PlanPage("text/html", HTML)


def test_the_page_is_one_document_about_the_plan_with_its_title_and_its_day():
    bundle = written(levothyroxine_to_desiccated())
    paged = with_page(bundle, page, FhirVersion.R4)
    document, title = only(paged, "DocumentReference"), only(bundle, "CarePlan")["title"]
    attachment = {"contentType": "text/html", "language": "en", "title": title,
                  "creation": bundle["timestamp"], "size": len(HTML),
                  "hash": b64encode(sha1(HTML).digest()).decode()}  # fmt: skip
    (content,) = document["content"]
    data = content["attachment"].pop("data")
    assert b64decode(data) == HTML
    assert content == {"attachment": attachment}
    assert document | {"text": None, "content": None} == {
        "resourceType": "DocumentReference",
        "id": document["id"],
        "text": None,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": document["id"]}],
        "status": "current",
        "docStatus": "preliminary",
        "type": {
            # LOINC 18776-5, as C-CDA and US Core name a care plan that is a document
            "coding": [
                {"system": "http://loinc.org", "code": "18776-5", "display": "Plan of care note"}
            ],
            "text": "Proposed plan, to be read and decided on by the prescriber",
        },
        "category": [
            {
                "coding": [
                    {
                        "system": "http://hl7.org/fhir/us/core/CodeSystem/"
                        "us-core-documentreference-category",
                        "code": "clinical-note",
                        "display": "Clinical Note",
                    }
                ]
            }
        ],
        "subject": {"reference": "Patient/demo-1"},
        "date": "2024-04-29T00:00:00Z",
        "description": title,
        "content": None,
    }
    assert f"<p>{title}</p>" in document["text"]["div"]


def test_without_a_plan_it_is_about_what_the_service_found():
    document = only(with_page(written(data_required()), page, FhirVersion.R4), "DocumentReference")
    assert document["description"] == "What the service found"


@pytest.mark.parametrize("version", FhirVersion)
@pytest.mark.parametrize("name", EVERY)
def test_the_rest_of_the_answer_stays_and_the_provenance_names_the_page_too(name, version):
    bundle = written(EVERY[name](), version)
    paged = with_page(bundle, page, version)
    assert {**paged, "entry": None} == {**bundle, "entry": None}
    *before, document, last = paged["entry"]
    assert before == bundle["entry"][:-1]
    assert document["fullUrl"] == f"urn:uuid:{document['resource']['id']}"
    own = bundle["entry"][-1]
    assert last["fullUrl"] == own["fullUrl"]
    (made,) = resources(paged, "Provenance")
    (plain,) = resources(bundle, "Provenance")
    assert made["target"] == [*plain["target"], {"reference": document["fullUrl"]}]
    assert {**made, "target": None} == {**plain, "target": None}
    model(version, "Bundle").model_validate_json(to_json(paged))
