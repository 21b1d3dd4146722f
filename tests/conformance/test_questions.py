"""What asks, and what was answered, holds to the official definitions of FHIR in both versions."""

import json
from importlib import import_module

import pytest
from tests.conformance.node import needs_node, needs_packages, walked
from tests.properties.answers.records import AS_OF, CASES, Chart, bundle
from tests.properties.answers.test_round_trips import answered, proposed

from crossgrain.names.identity import FhirVersion
from crossgrain.writing.forms import to_json

MODELS = {FhirVersion.R4: "fhir.resources.R4B", FhirVersion.R5: "fhir.resources"}


def calls(case, version, *answers, transaction=False):
    """The call of a case, with its options."""
    chart = Chart(version, 100)
    said = {"target": "desiccated-thyroid", **case.options}
    parameters = [{"name": "record", "resource": bundle(case.unclear(chart))}]
    parameters += [{"name": n, "valueCode": v} for n, v in said.items() if v]
    parameters.append({"name": "as-of", "valueDate": AS_OF})
    if transaction:
        parameters.append({"name": "response", "valueCode": "transaction"})
    parameters += [{"name": "answers", "resource": each} for each in answers]
    return {"resourceType": "Parameters", "parameter": parameters}


def sent(client, version, body, operation="propose-switch"):
    answer = client.post(
        f"/fhir/{version}/${operation}",
        content=to_json(body),
        headers={"content-type": "application/fhir+json"},
    )
    assert answer.status_code == 200, answer.text
    return json.loads(answer.content)


def of_version(version):
    return [case for case in CASES if version in case.versions]


@pytest.fixture(scope="module", params=list(FhirVersion))
def spoken(request, client):
    """Every question in a version, and what one answer of each kind leads to, to be filed."""
    version, said, kinds = request.param, [], set()
    for case in of_version(version):
        said.append(sent(client, version, calls(case, version)))
        if case.asks not in kinds:
            chart = Chart(version, 100)
            form = proposed(bundle(case.unclear(chart)), chart, case).form
            response = answered(form, case, chart)
            said.append(sent(client, version, calls(case, version, response, transaction=True)))
        kinds.add(case.asks)
    return version, said


@needs_node
@needs_packages
def test_every_question_and_every_answered_plan_is_without_a_fault(spoken):
    version, answers = spoken
    asking = [
        resource
        for answer in answers
        for resource in [entry["resource"] for entry in answer["entry"]]
        if resource["resourceType"] == "Questionnaire"
    ]
    assert len(asking) >= len(of_version(version))
    reports = walked(answers, version)
    assert [report["faults"] for report in reports] == [[]] * len(answers)


def test_every_questionnaire_and_every_response_parses(spoken):
    version, answers = spoken
    for answer in answers:
        for entry in answer["entry"]:
            kind = entry["resource"]["resourceType"]
            if kind not in {"Questionnaire", "QuestionnaireResponse", "MedicationStatement"}:
                continue
            model = getattr(import_module(f"{MODELS[version]}.{kind.lower()}"), kind)
            parsed = model.model_validate_json(to_json(entry["resource"]))
            assert entry["fullUrl"] == f"urn:uuid:{parsed.id}"


@pytest.mark.parametrize("version", FhirVersion)
def test_a_choice_is_called_a_coding_since_r5(client, version):
    case = CASES[0]
    answer = sent(client, version, calls(case, version))
    (form,) = [
        entry["resource"]
        for entry in answer["entry"]
        if entry["resource"]["resourceType"] == "Questionnaire"
    ]
    kind = "choice" if version is FhirVersion.R4 else "coding"
    assert [item["type"] for item in form["item"]] == [kind]


@needs_node
@needs_packages
@pytest.mark.parametrize("version", FhirVersion)
def test_a_comparison_that_asks_is_without_a_fault(client, version):
    answer = sent(client, version, calls(CASES[0], version), "compare-bases")
    assert any(p["name"] == "questionnaire" for p in answer["parameter"])
    (report,) = walked([answer], version)
    assert report["faults"] == []
