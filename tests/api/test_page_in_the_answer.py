"""The plan sheet in the answer: a document with the page inside, when asked for."""

import json
from base64 import b64decode
from hashlib import sha1
from typing import Any

import pytest
from fhir.resources.bundle import Bundle as R5Bundle
from fhir.resources.R4B.bundle import Bundle as R4Bundle
from tests.api.calls import FIXTURES, PATIENTS, QUERY, VISITS
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


PDF = f"{QUERY}&sheet=true&sheet-form=pdf"


@pytest.mark.parametrize("name", [PLANNED, STOPPED])
@pytest.mark.parametrize("version", ["r4", "r5"])
def test_the_sheet_may_be_a_pdf_with_its_size_and_its_digest(post, name, version):
    record = patient(name) if version == "r4" else as_r5(patient(name))
    address = f"/fhir/{version}/$propose-switch"
    (document,) = of_type(post(record, PDF, address).json(), "DocumentReference")
    attachment = document["content"][0]["attachment"]
    content = b64decode(attachment["data"])
    assert content.startswith(b"%PDF-")
    assert attachment["contentType"] == "application/pdf"
    # R4 unsignedInt, a number; R5 integer64, which its JSON has as a string
    assert attachment["size"] == (len(content) if version == "r4" else str(len(content)))
    assert b64decode(attachment["hash"]) == sha1(content).digest()
    (again,) = of_type(post(record, PDF, address).json(), "DocumentReference")
    assert again == document


def test_an_answer_with_a_pdf_is_fhir_in_both_versions(post):
    R4Bundle.model_validate_json(post(patient(PLANNED), PDF).content)
    R5Bundle.model_validate_json(post(as_r5(patient(PLANNED)), PDF, R5).content)


def test_without_its_extra_a_pdf_is_refused_and_the_extra_named(post, monkeypatch):
    monkeypatch.setattr("crossgrain.sheet.pdf.OF_PDF", "no_such_library")
    monkeypatch.setattr("crossgrain.operations.propose_switch.OF_PDF", "no_such_library")
    answer = post(patient(PLANNED), PDF)
    (issue,) = answer.json()["issue"]
    assert (answer.status_code, issue["code"]) == (422, "not-supported")
    assert "pip install 'crossgrain[pdf]'" in issue["diagnostics"]
    assert issue["expression"] == ["http.sheet-form"]


def test_a_form_of_a_sheet_that_is_not_asked_for_is_refused(post):
    answer = post(patient(PLANNED), f"{QUERY}&sheet-form=pdf")
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == ["http.sheet-form"]


# --- of a visit after the first -------------------------------------------------------------------

VISIT = "late-lab"


def at_a_visit(post: Any, name: str, more: str, path: str = "/fhir/r4/$next-step") -> Any:
    (listed,) = (visit for visit in VISITS if visit["name"] == name)
    record = json.loads((FIXTURES / "visits" / f"{name}.json").read_text("utf-8"))
    return post(record, f"?as-of={listed['as_of']}{more}", path)


@pytest.mark.parametrize("name", [VISIT, "infarction-in-mid-climb", "on-time", "mixture"])
def test_the_page_of_a_visit_is_the_page_that_its_sheet_route_sends(post, name):
    (document,) = of_type(at_a_visit(post, name, "&sheet=true").json(), "DocumentReference")
    carried = b64decode(document["content"][0]["attachment"]["data"])
    assert carried == at_a_visit(post, name, "", "/sheet/next-step").content


def test_a_visit_has_no_page_unless_it_is_asked_for(post):
    assert of_type(at_a_visit(post, VISIT, "").json(), "DocumentReference") == []
    assert of_type(at_a_visit(post, VISIT, "&sheet=false").json(), "DocumentReference") == []


def test_the_page_of_a_visit_is_filed_with_it_and_among_what_the_provenance_answers_for(post):
    answer = at_a_visit(post, VISIT, "&sheet=true&response=transaction").json()
    R4Bundle.model_validate(answer)
    (document,) = of_type(answer, "DocumentReference")
    (provenance,) = of_type(answer, "Provenance")
    assert {"reference": f"urn:uuid:{document['id']}"} in provenance["target"]


def test_a_brief_visit_has_no_page(post):
    refused = at_a_visit(post, VISIT, "&sheet=true&detail=brief")
    assert refused.status_code == 422
    assert refused.json()["issue"][0]["expression"]
