"""The plan sheet in the answer: a document with the page inside, when asked for."""

import json
from base64 import b64decode
from typing import Any

import pytest
from fhir.resources.bundle import Bundle as R5Bundle
from fhir.resources.R4B.bundle import Bundle as R4Bundle
from tests.api.calls import PATIENTS, QUERY
from tests.api.test_versions import R5
from tests.conformance.r5_records import as_r5

PLANNED, STOPPED = "01-levothyroxine-150.json", "11-adrenal-insufficiency.json"


def patient(name: str) -> dict[str, Any]:
    bundle: dict[str, Any] = json.loads((PATIENTS / name).read_text("utf-8"))
    return bundle


def of_type(bundle: dict[str, Any], resource_type: str) -> list[dict[str, Any]]:
    return [
        entry["resource"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == resource_type
    ]


@pytest.mark.parametrize("name", [PLANNED, STOPPED])
def test_the_page_in_the_answer_is_the_page_that_the_sheet_route_sends(post, name):
    (document,) = of_type(post(patient(name), f"{QUERY}&sheet=true").json(), "DocumentReference")
    carried = b64decode(document["content"][0]["attachment"]["data"])
    assert carried == post(patient(name), QUERY, "/sheet").content


def test_without_being_asked_for_there_is_no_page(post):
    assert of_type(post(patient(PLANNED), QUERY).json(), "DocumentReference") == []
    assert of_type(post(patient(PLANNED), f"{QUERY}&sheet=false").json(), "DocumentReference") == []


def test_the_page_is_among_what_the_provenance_answers_for(post):
    bundle = post(patient(PLANNED), f"{QUERY}&sheet=true").json()
    (document,) = of_type(bundle, "DocumentReference")
    (provenance,) = of_type(bundle, "Provenance")
    assert {"reference": f"urn:uuid:{document['id']}"} in provenance["target"]


def test_the_page_is_filed_once_however_often_the_transaction_is_sent(post):
    query = f"{QUERY}&sheet=true&response=transaction"
    (request,) = [
        entry["request"]
        for entry in post(patient(PLANNED), query).json()["entry"]
        if entry["resource"]["resourceType"] == "DocumentReference"
    ]
    assert request["url"] == "DocumentReference"
    assert request["ifNoneExist"].startswith(
        "identifier=http://crossgrain.example/fhir/sid/resource|"
    )


def test_an_answer_with_a_page_is_fhir_in_both_versions(post):
    # fhir.resources: its models of R4 and R5 are generated from HL7's definitions.
    r4 = post(patient(PLANNED), f"{QUERY}&sheet=true")
    R4Bundle.model_validate_json(r4.content)
    r5 = post(as_r5(patient(PLANNED)), f"{QUERY}&sheet=true", R5)
    R5Bundle.model_validate_json(r5.content)
    assert of_type(r5.json(), "DocumentReference")
