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


def test_another_library_is_not_found_and_an_option_that_is_not_known_is_refused(
    client: httpx.Client,
) -> None:
    assert client.get("/fhir/r4/Library/nothing/$data-requirements").status_code == 404
    answer = client.get(f"/fhir/r4/Library/{OF_OURS}", params={"expression": "x"})
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["http.expression"]


def test_it_hears_of_no_patient_so_it_needs_no_token() -> None:
    assert not is_operation(f"/fhir/r4/Library/{OF_OURS}")
    assert is_operation("/fhir/r4/PlanDefinition/regimen-switch/$apply")
