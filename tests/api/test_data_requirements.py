"""What is said to be read of a record is what is read."""

import httpx2 as httpx
import pytest

from crossgrain.auth.guard import is_operation
from crossgrain.catalogue import load_catalogue
from crossgrain.reading.door import MATTERS

from .calls import Resource

CODES = load_catalogue().codes
OF_OURS = "regimen-switch/$data-requirements"
PREGNANCY_STATUS = "82810-3"
"""LOINC, Pregnancy status: https://loinc.org/82810-3"""


def requirements(client: httpx.Client, version: str) -> dict[str, Resource]:
    library = client.get(f"/fhir/{version}/Library/{OF_OURS}").json()
    return {each["type"]: each for each in library["dataRequirement"]}


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_every_type_that_is_read_is_named_and_no_other(client: httpx.Client, version: str) -> None:
    assert set(requirements(client, version)) == {"Patient", *MATTERS}


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_every_code_by_which_a_result_is_read_is_named(client: httpx.Client, version: str) -> None:
    (by_code,) = requirements(client, version)["Observation"]["codeFilter"]
    assert by_code["path"] == "code"
    named = [(each["system"], each["code"]) for each in by_code["code"]]
    assert len(named) == len(set(named))
    assert set(named) == {("http://loinc.org", code) for code in (*CODES.labs, PREGNANCY_STATUS)}


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_it_is_the_library_that_the_plan_definition_names(
    client: httpx.Client, version: str
) -> None:
    plan = client.get(f"/fhir/{version}/PlanDefinition/regimen-switch").json()
    (named,) = plan["library"]
    found = client.get(f"/fhir/{version}/Library", params={"url": named}).json()
    (entry,) = found["entry"]
    assert entry["resource"] == client.get(f"/fhir/{version}/Library/{OF_OURS}").json()


AT = ["Library", "PlanDefinition"]


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize("kind", AT)
@pytest.mark.parametrize("sent", [None, {"resourceType": "Parameters"}])
def test_asked_by_post_or_of_the_plan_definition_it_is_the_same_library(
    client: httpx.Client, version: str, kind: str, sent: Resource | None
) -> None:
    library = client.get(f"/fhir/{version}/Library/{OF_OURS}").content
    assert client.get(f"/fhir/{version}/{kind}/{OF_OURS}").content == library
    assert client.post(f"/fhir/{version}/{kind}/{OF_OURS}", json=sent).content == library


@pytest.mark.parametrize("kind", AT)
def test_a_parameter_that_is_not_taken_is_refused_by_name(client: httpx.Client, kind: str) -> None:
    sent = {
        "resourceType": "Parameters",
        "parameter": [{"name": "target", "valueString": "x"}],
    }
    answer = client.post(f"/fhir/r4/{kind}/{OF_OURS}", json=sent)
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["Parameters.parameter[0].name"]
    patient = client.post(f"/fhir/r4/{kind}/{OF_OURS}", json={"resourceType": "Patient"})
    assert patient.status_code == 400


@pytest.mark.parametrize("asked", ["target", "kind"])
def test_no_parameter_in_the_query_changes_what_is_looked_for(
    client: httpx.Client, asked: str
) -> None:
    answer = client.get(f"/fhir/r4/Library/{OF_OURS}", params={asked: "Measure"})
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == [f"http.{asked}"]


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_the_plan_definition_takes_the_same_as_its_inputs(
    client: httpx.Client, version: str
) -> None:
    climb, _, checkpoint = client.get(f"/fhir/{version}/PlanDefinition/regimen-switch").json()[
        "action"
    ]
    inputs = [
        [each if version == "r4" else each["requirement"] for each in action["input"]]
        for action in (climb, checkpoint)
    ]
    known = requirements(client, version)
    assert inputs[0] == list(known.values())
    assert inputs[1] == [known["Observation"], known["QuestionnaireResponse"]]


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_every_requirement_names_our_profile_of_its_type(
    client: httpx.Client, version: str
) -> None:
    for kind, each in requirements(client, version).items():
        (url,) = each["profile"]
        found = client.get(f"/fhir/{version}/StructureDefinition", params={"url": url}).json()
        assert found["entry"][0]["resource"]["type"] == kind


def test_another_library_is_not_found_and_an_option_that_is_not_known_is_refused(
    client: httpx.Client,
) -> None:
    for kind in AT:
        assert client.get(f"/fhir/r4/{kind}/nothing/$data-requirements").status_code == 404
        assert client.post(f"/fhir/r4/{kind}/nothing/$data-requirements").status_code == 404
    answer = client.get(f"/fhir/r4/Library/{OF_OURS}", params={"expression": "x"})
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["http.expression"]


def test_it_hears_of_no_patient_so_it_needs_no_token() -> None:
    assert not is_operation(f"/fhir/r4/Library/{OF_OURS}")
    assert is_operation("/fhir/r4/PlanDefinition/regimen-switch/$apply")
