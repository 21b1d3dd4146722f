"""Definitions found by their canonical, and what our own codes mean, asked the FHIR way.

Parameters and outcomes as in https://hl7.org/fhir/R4/codesystem-operation-lookup.html and its
neighbours; every answer is parsed by the published models.
"""

from importlib import import_module
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from crossgrain import __version__
from crossgrain.app.conformance.capabilities import READABLE
from crossgrain.app.conformance.guide import definitions
from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import desk_over, now

from .calls import FHIR, Resource

BASE = "http://crossgrain.example/fhir"
FINDING, FINDINGS = f"{BASE}/CodeSystem/finding", f"{BASE}/ValueSet/finding"
DESK = desk_over(load_catalogue(), now)
EVERY = [(version, resource) for version in FhirVersion for resource in definitions(DESK, version)]
NAMES = [f"{version}-{r['resourceType']}-{r['id']}" for version, r in EVERY]
MODELS = {"r4": "fhir.resources.R4B", "r5": "fhir.resources"}


def parsed(answer: httpx.Response, version: str = "r4") -> Resource:
    """The answer, once the published model of its type has taken it."""
    resource: Resource = answer.json()
    kind = resource["resourceType"]
    model = getattr(import_module(f"{MODELS[version]}.{kind.lower()}"), kind)
    model.model_validate_json(answer.content)
    return resource


def parts(answer: httpx.Response, version: str = "r4") -> dict[str, Any]:
    """The parts of a Parameters by name; of a property its code and value."""
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = {}
    for part in parsed(answer, version)["parameter"]:
        if part["name"] == "property":
            code, value = part["part"]
            found[code["valueCode"]] = next(v for k, v in value.items() if k != "name")
        else:
            found[part["name"]] = next(v for k, v in part.items() if k != "name")
    return found


def issue(answer: httpx.Response, status: int) -> tuple[str, str]:
    assert answer.status_code == status, answer.text
    (found,) = parsed(answer)["issue"]
    return found["code"], found["expression"][0]


@pytest.mark.parametrize(("version", "resource"), EVERY, ids=NAMES)
def test_every_definition_is_found_by_its_canonical_alone(
    client: TestClient, version: FhirVersion, resource: Resource
) -> None:
    kind = resource["resourceType"]
    for url in (resource["url"], f"{resource['url']}|{__version__}"):
        found = parsed(client.get(f"/fhir/{version}/{kind}", params={"url": url}), version)
        assert (found["type"], found["total"]) == ("searchset", 1)
        assert [e["resource"]["id"] for e in found["entry"]] == [resource["id"]]


@pytest.mark.parametrize("kind", READABLE)
def test_a_search_without_a_parameter_finds_all_of_a_kind(client: TestClient, kind: str) -> None:
    found = parsed(client.get(f"/fhir/r4/{kind}"))
    own = [r for v, r in EVERY if v is FhirVersion.R4 and r["resourceType"] == kind]
    of_the_deployment = kind == "CapabilityStatement"
    assert found["total"] == len(own) + of_the_deployment == len(found["entry"])


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_the_statement_of_the_deployment_is_found_by_its_canonical(
    client: TestClient, version: str
) -> None:
    own = client.get(f"/fhir/{version}/metadata").json()
    page = client.get(f"/fhir/{version}/CapabilityStatement", params={"url": own["url"]})
    assert [e["resource"] for e in parsed(page, version)["entry"]] == [own]
    assert client.get(f"/fhir/{version}/CapabilityStatement/{own['id']}").json() == own


def linked(page: Resource) -> dict[str, str]:
    """The links of a page, by their relation."""
    return {each["relation"]: each["url"] for each in page["link"]}


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize(
    "query",
    ["", "?_id=finding", "?_id=nothing", "?_count=1&_offset=1", "?_count=0", "?_format=json"],
)
def test_every_searchset_links_to_itself(client: TestClient, version: str, query: str) -> None:
    """bdl-18 of FHIR R5; R4, search.html#conformance: the server says by what it searched."""
    found = parsed(client.get(f"/fhir/{version}/CodeSystem{query}"), version)
    own = linked(found)["self"]
    assert own == f"{client.base_url}/fhir/{version}/CodeSystem" + (
        "" if "_format" in query else query
    )
    again = parsed(client.get(own), version)
    assert again == found


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({"_id": "finding,topic"}, ["finding", "topic"]),
        ({"_id": "topic,nothing"}, ["topic"]),
        ({"_id": "finding,topic", "version": "0.0.1"}, []),
        ({"version": f"0.0.1,{__version__}", "_id": "topic"}, ["topic"]),
        ({"url": f"{FINDING}|{__version__},{BASE}/CodeSystem/topic"}, ["finding", "topic"]),
        ({"url": f"{FINDING}|0.0.1,{BASE}/CodeSystem/topic"}, ["topic"]),
    ],
)
def test_values_with_a_comma_between_them_are_one_or_the_other(
    client: TestClient, query: dict[str, str], found: list[str]
) -> None:
    """R4 and R5, search.html#combining."""
    page = parsed(client.get("/fhir/r4/CodeSystem", params=query))
    assert page["total"] == len(found)
    assert sorted(e["resource"]["id"] for e in page.get("entry", ())) == found


def test_pages_of_a_search_are_followed_by_their_links(client: TestClient) -> None:
    """Every definition once; the last page has no link."""
    whole = parsed(client.get("/fhir/r4/ValueSet"))
    link: str | None = "/fhir/r4/ValueSet?_count=4"
    seen: list[str] = []
    while link:
        page = parsed(client.get(link))
        assert page["total"] == whole["total"] > 12
        assert 0 < len(page["entry"]) <= 4
        seen += [each["fullUrl"] for each in page["entry"]]
        link = linked(page).get("next")
    assert seen == [each["fullUrl"] for each in whole["entry"]]


def test_a_link_keeps_what_was_asked_and_has_the_public_address() -> None:
    settings = Settings(public_url="https://cds.example/thyroid")
    with TestClient(create_app(settings, load_catalogue())) as client:
        page = client.get("/fhir/r5/ValueSet", params={"version": __version__, "_count": "1"})
    address = f"https://cds.example/thyroid/fhir/r5/ValueSet?version={__version__}&_count=1"
    assert linked(page.json()) == {"self": address, "next": f"{address}&_offset=1"}


def test_a_count_of_none_is_the_total_alone(client: TestClient) -> None:
    found = parsed(client.get("/fhir/r4/ValueSet", params={"_count": "0"}))
    assert found.keys() == {"resourceType", "type", "total", "link"}
    one = parsed(client.get("/fhir/r4/ValueSet", params={"_count": "1", "url": FINDINGS}))
    assert (len(one["entry"]), linked(one).keys()) == (1, {"self"})


@pytest.mark.parametrize("name", ["_count", "_offset"])
@pytest.mark.parametrize("value", ["-1", "x", "1.5", "", "1" * 10])
def test_a_page_of_a_search_that_cannot_be_is_refused(
    client: TestClient, name: str, value: str
) -> None:
    answer = client.get("/fhir/r4/ValueSet", params={name: value})
    assert issue(answer, 400) == ("value", f"http.{name}")


@pytest.mark.parametrize(
    "query", [{"url": f"{BASE}/CodeSystem/nothing"}, {"url": FINDING, "version": "0.0.1"}]
)
def test_what_is_not_defined_here_is_an_empty_searchset(
    client: TestClient, query: dict[str, str]
) -> None:
    found = parsed(client.get("/fhir/r4/CodeSystem", params=query))
    assert (found["type"], found["total"], "entry" in found) == ("searchset", 0, False)


def test_a_search_parameter_that_is_not_known_is_refused_by_name(client: TestClient) -> None:
    answer = client.get("/fhir/r4/CodeSystem", params={"title": "x"})
    assert issue(answer, 400) == ("not-supported", "http.title")


def test_a_code_is_looked_up_with_its_severity(client: TestClient) -> None:
    query = {"system": FINDING, "code": "chest-pain-reported"}
    found = parts(client.get("/fhir/r4/CodeSystem/$lookup", params=query))
    assert found["display"] == "Chest pain or breathlessness reported"
    assert (found["version"], found["severity"]) == (__version__, "stop")
    assert "chest pain" in found["definition"]


def test_r5_gives_the_definition_a_part_of_its_own(client: TestClient) -> None:
    query = {"system": FINDING, "code": "chest-pain-reported"}
    answer = client.get("/fhir/r5/CodeSystem/$lookup", params=query)
    names = [part["name"] for part in parsed(answer, "r5")["parameter"]]
    assert names.count("definition") == 1


@pytest.mark.parametrize(
    ("query", "status", "found"),
    [
        ({"system": FINDING, "code": "none"}, 404, ("not-found", "http.code")),
        ({"system": "http://loinc.org", "code": "x"}, 404, ("not-found", "http.system")),
        ({"system": FINDING}, 400, ("required", "http.code")),
        ({"code": "warfarin"}, 400, ("required", "http.system")),
        (
            {"system": FINDING, "code": "warfarin", "date": "2026"},
            400,
            ("not-supported", "http.date"),
        ),
    ],
)
def test_a_lookup_that_cannot_be_answered_says_why(
    client: TestClient, query: dict[str, str], status: int, found: tuple[str, str]
) -> None:
    assert issue(client.get("/fhir/r4/CodeSystem/$lookup", params=query), status) == found


@pytest.mark.parametrize(
    "address", ["CodeSystem/finding/$validate-code", "ValueSet/finding/$validate-code"]
)
@pytest.mark.parametrize(
    ("query", "result"),
    [
        ({"code": "warfarin"}, True),
        ({"code": "warfarin", "display": "Vitamin K antagonist taken"}, True),
        ({"code": "warfarin", "display": "aspirin"}, False),
        ({"code": "aspirin"}, False),
    ],
)
def test_a_code_is_validated_at_a_definition(
    client: TestClient, address: str, query: dict[str, str], result: bool
) -> None:
    found = parts(client.get(f"/fhir/r4/{address}", params=query))
    assert found["result"] is result
    assert result or found["message"]


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize(("kind", "named"), [("CodeSystem", []), ("ValueSet", [("url", FINDINGS)])])
def test_a_coding_is_validated_by_a_body(
    client: TestClient, version: str, kind: str, named: list[tuple[str, str]]
) -> None:
    coding = {"system": FINDING, "code": "warfarin", "display": "Vitamin K antagonist taken"}
    body = {
        "resourceType": "Parameters",
        "parameter": [
            *({"name": name, "valueUri": value} for name, value in named),
            {"name": "coding", "valueCoding": coding},
        ],
    }
    address = f"/fhir/{version}/{kind}/$validate-code"
    answer = client.post(address, json=body, headers=FHIR)
    assert parts(answer, version)["result"] is True


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize("address", ["CodeSystem", "CodeSystem/finding"])
@pytest.mark.parametrize(
    ("system", "code", "result"),
    [
        (FINDING, "warfarin", True),
        (FINDING, "aspirin", False),
        (None, "warfarin", True),
        (f"{BASE}/CodeSystem/topic", "warfarin", False),
    ],
)
def test_a_coding_is_validated_in_the_code_system_that_is_named_beside_it(
    client: TestClient, version: str, address: str, system: str | None, code: str, result: bool
) -> None:
    """R4, codesystem-operation-validate-code.html: `url` is the code system, `coding` is tested."""
    coding = {"code": code} | ({"system": system} if system else {})
    named = {"name": "url", "valueUri": FINDING}
    body = parameters(named, {"name": "coding", "valueCoding": coding})
    answer = client.post(f"/fhir/{version}/{address}/$validate-code", json=body, headers=FHIR)
    found = parts(answer, version)
    assert found["result"] is result
    assert result or "has no" in found["message"]


def test_a_code_that_is_not_in_a_value_set_is_not_said_to_be_in_no_system(
    client: TestClient,
) -> None:
    """2345-7 is glucose in serum, by LOINC."""
    query = {"url": f"{BASE}/ValueSet/read-results", "system": "http://loinc.org", "code": "2345-7"}
    found = parts(client.get("/fhir/r4/ValueSet/$validate-code", params=query))
    assert found["result"] is False
    assert found["message"] == f"{BASE}/ValueSet/read-results has no such code"


def test_a_code_of_another_system_is_not_in_the_value_set(client: TestClient) -> None:
    query = {"url": FINDINGS, "system": "http://loinc.org", "code": "warfarin"}
    found = parts(client.get("/fhir/r4/ValueSet/$validate-code", params=query))
    assert found["result"] is False


def test_a_value_set_is_expanded_whole(client: TestClient) -> None:
    system = client.get("/fhir/r4/CodeSystem/finding").json()
    found = parsed(client.get("/fhir/r4/ValueSet/$expand", params={"url": FINDINGS}))
    expansion = found["expansion"]
    assert expansion["total"] == system["count"]
    assert [c["code"] for c in expansion["contains"]] == [c["code"] for c in system["concept"]]
    assert {c["system"] for c in expansion["contains"]} == {FINDING}


def test_an_expansion_is_filtered_and_paged(client: TestClient) -> None:
    query = {"filter": "TSH", "offset": "1", "count": "2"}
    address = "/fhir/r4/ValueSet/finding/$expand"
    whole = parsed(client.get(address, params={"filter": "tsh"}))["expansion"]
    page = parsed(client.get(address, params=query))["expansion"]
    assert whole["total"] == page["total"] > 3
    assert page["contains"] == whole["contains"][1:3]
    assert page["offset"] == 1


@pytest.mark.parametrize("value", ["-1", "x", "1.5", "9" * 40])
def test_a_page_that_cannot_be_is_refused(client: TestClient, value: str) -> None:
    answer = client.get("/fhir/r4/ValueSet/finding/$expand", params={"count": value})
    assert issue(answer, 400) == ("value", "http.count")


@pytest.mark.parametrize(
    ("body", "expression"),
    [
        ({"resourceType": "Bundle"}, "resourceType"),
        (
            {"resourceType": "Parameters", "parameter": [{"name": "code"}]},
            "Parameters.parameter[0]",
        ),
        (
            {"resourceType": "Parameters", "parameter": [{"name": "code", "valueBoolean": True}]},
            "Parameters.parameter[0].value",
        ),
    ],
)
def test_a_body_that_cannot_be_read_is_refused_with_its_place(
    client: TestClient, body: Resource, expression: str
) -> None:
    answer = client.post("/fhir/r4/CodeSystem/$validate-code", json=body, headers=FHIR)
    assert issue(answer, 400)[1] == expression


def parameters(*given: Resource) -> Resource:
    return {"resourceType": "Parameters", "parameter": list(given)}


SYSTEM = {"name": "system", "valueUri": FINDING}


@pytest.mark.parametrize(
    ("body", "status", "found"),
    [
        (
            parameters({"name": "title", "valueString": "x"}),
            400,
            [("not-supported", "Parameters.parameter[0].name")],
        ),
        (
            parameters(SYSTEM, SYSTEM, {"name": "dose", "valueString": "x"}),
            400,
            [
                ("invalid", "Parameters.parameter[1]"),
                ("not-supported", "Parameters.parameter[2].name"),
            ],
        ),
        (
            parameters(SYSTEM),
            400,
            [("required", "Parameters.parameter.where(name='code')")],
        ),
        (
            parameters({"name": "code", "valueCode": "warfarin"}),
            400,
            [("required", "Parameters.parameter.where(name='system')")],
        ),
        (
            parameters({"name": "code", "valueCode": "none"}, SYSTEM),
            404,
            [("not-found", "Parameters.parameter[0].value")],
        ),
        (
            parameters({"name": "coding", "valueCoding": {"system": FINDING, "code": "none"}}),
            404,
            [("not-found", "Parameters.parameter[0].value")],
        ),
        (
            parameters({"name": "coding", "valueCoding": {"system": FINDING, "code": {}}}),
            400,
            [("value", "Parameters.parameter[0].value")],
        ),
        (
            parameters({"name": "system", "valueUri": "http://loinc.org"}),
            404,
            [("not-found", "Parameters.parameter[0].value")],
        ),
    ],
)
def test_what_is_wrong_with_a_posted_lookup_is_placed_in_its_body(
    client: TestClient, body: Resource, status: int, found: list[tuple[str, str]]
) -> None:
    answer = client.post("/fhir/r4/CodeSystem/$lookup", json=body, headers=FHIR)
    assert answer.status_code == status
    issues = parsed(answer)["issue"]
    assert [(each["code"], each["expression"][0]) for each in issues] == found


def test_a_posted_page_that_cannot_be_is_placed_in_its_body(client: TestClient) -> None:
    body = parameters({"name": "count", "valueInteger": -1})
    answer = client.post("/fhir/r4/ValueSet/finding/$expand", json=body, headers=FHIR)
    assert issue(answer, 400) == ("value", "Parameters.parameter[0].value")


def test_what_stands_beside_a_body_is_placed_in_the_address(client: TestClient) -> None:
    answer = client.post(
        "/fhir/r4/CodeSystem/$lookup?system=x", json=parameters(SYSTEM), headers=FHIR
    )
    assert issue(answer, 400) == ("invalid", "http.system")


def test_a_name_that_is_nearly_right_is_answered_with_the_nearest(client: TestClient) -> None:
    answer = client.get("/fhir/r4/CodeSystem/$lookup", params={"sistem": FINDING})
    assert "did you mean system" in answer.json()["issue"][0]["diagnostics"]
