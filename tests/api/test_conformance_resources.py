"""The conformance resources: served, valid, and the same as what the service does."""

import json
from collections.abc import Callable, Iterable, Iterator
from importlib import import_module
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from tests.conformance.node import needs_node, needs_packages, walked

from crossgrain.app.conformance.guide import definitions
from crossgrain.app.conformance.profiles import whole
from crossgrain.app.conformance.routes import statement
from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.http.settings import Settings
from crossgrain.names.identity import CANONICAL_BASE, FINDING_SYSTEM, MODULE_CANONICAL, FhirVersion
from crossgrain.operations.desk import desk_over, now
from crossgrain.writing.forms import to_json

from .calls import AS_OF, COMPARE, FHIR, FIXTURES, PATIENTS, PROPOSE, QUERY, RECORD, Resource

DESK = desk_over(load_catalogue(), now)
MODELS = {FhirVersion.R4: "fhir.resources.R4B", FhirVersion.R5: "fhir.resources"}
EVERY = [
    (version, resource)
    for version in FhirVersion
    for resource in (
        statement(DESK, version, Settings(public_url="https://dose.example")),
        *(whole(definition, version) for definition in definitions(DESK, version)),
    )
]
NAMES = [f"{version}-{r['resourceType']}-{r['id']}" for version, r in EVERY]


@pytest.mark.parametrize(("version", "resource"), EVERY, ids=NAMES)
def test_each_parses_with_the_published_models(version: FhirVersion, resource: Resource) -> None:
    kind = resource["resourceType"]
    model = getattr(import_module(f"{MODELS[version]}.{kind.lower()}"), kind)
    assert model.model_validate_json(to_json(resource)).id == resource["id"]


@needs_node
@needs_packages
@pytest.mark.parametrize("version", FhirVersion)
def test_each_holds_to_the_official_definitions(version: FhirVersion) -> None:
    own = [resource for of, resource in EVERY if of is version]
    reports = walked(own, version)
    assert len(reports) == len(EVERY) / 2
    assert [report["faults"] for report in reports] == [[]] * len(own)
    assert sum(report["elements"] for report in reports) > 400


@pytest.mark.parametrize(("version", "resource"), EVERY, ids=NAMES)
def test_each_is_served_as_it_was_made(
    client: TestClient, version: FhirVersion, resource: Resource
) -> None:
    if resource["resourceType"] == "CapabilityStatement":
        served = client.get(f"/fhir/{version}/metadata").json()
        assert served["fhirVersion"] == version.number
        return
    address = f"/fhir/{version}/{resource['resourceType']}/{resource['id']}"
    answer = client.get(address)
    assert answer.headers["content-type"] == "application/fhir+json"
    assert answer.json() == json.loads(to_json(resource))
    head = client.head(address)
    assert (head.status_code, head.content) == (200, b"")


@pytest.mark.parametrize("version", list(FhirVersion))
def test_every_canonical_that_is_named_is_published(version: FhirVersion) -> None:
    published = {r["url"] for v, r in EVERY if v is version}
    named = set(named_of_ours(resource for v, resource in EVERY if v is version))
    assert MODULE_CANONICAL in named
    assert FINDING_SYSTEM in named
    assert named <= published


def test_every_canonical_that_an_answer_names_is_published(
    post: Callable[..., httpx.Response],
) -> None:
    published = {r["url"] for v, r in EVERY if v is FhirVersion.R4}
    halved = (PATIENTS / "15-switched-at-half-the-dose.json").read_bytes()
    on_signing = (FIXTURES / "calls" / "order-sign.json").read_bytes()
    answers = [
        post(RECORD, f"{QUERY}&response=transaction").json(),
        post(RECORD, QUERY, COMPARE).json(),
        post(halved, f"?as-of={AS_OF}", "/fhir/r4/$screen-switches").json(),
        post(on_signing, "", "/cds-services/thyroid-order", content_type="application/json").json(),
    ]
    named = set(named_of_ours(answers))
    assert len(named) == 6
    assert named <= published


def test_what_is_published_and_answered_is_the_same_bytes_wherever_it_is_deployed(
    catalogue: Catalogue,
) -> None:
    here = create_app(Settings(), catalogue)
    there = create_app(Settings(public_url="https://dose.example"), catalogue)
    paths = [
        f"/fhir/{version}/{resource['resourceType']}/{resource['id']}"
        for version, resource in EVERY
        if resource["resourceType"] != "CapabilityStatement"
    ]
    with TestClient(here) as one, TestClient(there) as other:
        for path in paths:
            assert one.get(path).content == other.get(path).content
        answers = [
            each.post(f"{PROPOSE}{QUERY}", content=RECORD, headers=FHIR).content
            for each in (one, other)
        ]
        said = [each.get("/fhir/r4/metadata").json() for each in (one, other)]
    assert answers[0] == answers[1]
    assert said[1]["implementation"].pop("url") == "https://dose.example/fhir/r4"
    assert said[0] == said[1]


def named_of_ours(resources: Iterable[Any]) -> Iterator[str]:
    """Our canonicals that stand as a value; identifier systems are names, not definitions."""
    for value in strings(list(resources)):
        ours = value.startswith(("urn:crossgrain", f"{CANONICAL_BASE}/")) and " " not in value
        if ours and not value.startswith(f"{CANONICAL_BASE}/sid/"):
            yield value.partition("|")[0]


def strings(node: Any) -> Iterator[str]:
    if isinstance(node, str):
        yield node
    elif isinstance(node, dict):
        for value in node.values():
            yield from strings(value)
    elif isinstance(node, list):
        for value in node:
            yield from strings(value)


def published(client: TestClient, operation: str) -> Resource:
    definition: Resource = client.get(f"/fhir/r4/OperationDefinition/{operation}").json()
    return definition


def test_the_statement_names_every_operation_that_is_served(client: TestClient) -> None:
    rest = client.get("/fhir/r4/metadata").json()["rest"][0]
    system = {f"/fhir/r4/${operation['name']}" for operation in rest["operation"]}
    paths = {path for path in client.get("/openapi.json").json()["paths"] if "r4/$" in path}
    assert system == paths
    (plan,) = [r for r in rest["resource"] if r["type"] == "PlanDefinition"]
    assert [operation["name"] for operation in plan["operation"]] == ["apply", "data-requirements"]


def test_the_options_published_are_exactly_those_that_are_taken(
    client: TestClient, post: Callable[..., httpx.Response], record: Resource
) -> None:
    answer = post(record, "?no-such-option=1")
    message = answer.json()["issue"][0]["diagnostics"]
    known = message.rpartition(": ")[2].split(", ")
    inputs = [
        p["name"] for p in published(client, "propose-switch")["parameter"] if p["use"] == "in"
    ]
    assert inputs == ["record", "answers", *known]


def test_the_codes_of_an_option_are_the_codes_that_it_takes(
    client: TestClient, catalogue: Catalogue
) -> None:
    codes = client.get("/fhir/r4/CodeSystem/basis").json()["concept"]
    usable = [basis.id for basis in catalogue.bases if basis.grade != "reference"]
    assert [concept["code"] for concept in codes] == usable


def unpublished(parts: list[Resource], definitions: list[Resource]) -> Iterator[str]:
    """Parts that an answer has and its definition lacks, or of another type, or too few."""
    known = {definition["name"]: definition for definition in definitions}
    for part in parts:
        definition = known.get(part["name"])
        value = next((key for key in part if key.startswith("value")), "")
        if definition is None:
            yield part["name"]
        elif "part" in part:
            yield from unpublished(part["part"], definition.get("part", []))
        elif "resource" in part:
            if part["resource"]["resourceType"] != definition["type"]:
                yield f"{part['name']}: {part['resource']['resourceType']}"
        elif value.removeprefix("value").lower() != definition["type"].lower():
            yield f"{part['name']}: {value}"
    names = [part["name"] for part in parts]
    for name, definition in known.items():
        few = names.count(name) < definition["min"]
        many = definition["max"] != "*" and names.count(name) > int(definition["max"])
        if few or many:
            yield f"{name} stands {names.count(name)} times"


@pytest.mark.parametrize("patient", sorted(PATIENTS.iterdir()), ids=lambda path: path.stem)
def test_every_part_of_a_rationale_is_published(
    client: TestClient, post: Callable[..., httpx.Response], patient: Any
) -> None:
    definition = published(client, "propose-switch")
    (returned,) = [p for p in definition["parameter"] if p["use"] == "out"]
    target = "levothyroxine" if patient.stem[:2] not in {"01", "04"} else "liothyronine"
    answer = post(patient.read_bytes(), f"?as-of=2025-03-03&target={target}", PROPOSE)
    if answer.status_code == 422:
        assert "nothing" in answer.text or "already" in answer.text
        return
    guidance = answer.json()["entry"][0]["resource"]
    (rationale,) = [c for c in guidance["contained"] if c["id"] == "rationale"]
    assert list(unpublished(rationale["parameter"], returned["part"])) == []


@pytest.mark.parametrize("patient", sorted(PATIENTS.iterdir()), ids=lambda path: path.stem)
def test_every_part_of_a_comparison_is_published(
    client: TestClient, post: Callable[..., httpx.Response], patient: Any
) -> None:
    definition = published(client, "compare-bases")
    outputs = [p for p in definition["parameter"] if p["use"] == "out"]
    answer = post(patient.read_bytes(), "?as-of=2025-03-03", "/fhir/r4/$compare-bases").json()
    assert list(unpublished(answer["parameter"], outputs)) == []


def test_every_finding_of_an_answer_is_in_the_code_system_with_its_display(
    client: TestClient, post: Callable[..., httpx.Response]
) -> None:
    concepts = client.get("/fhir/r4/CodeSystem/finding").json()["concept"]
    displays = {concept["code"]: concept["display"] for concept in concepts}
    seen = set()
    for patient in PATIENTS.iterdir():
        answer = post(patient.read_bytes(), "?as-of=2025-03-03&target=desiccated-thyroid").json()
        for entry in answer.get("entry", []):
            if entry["resource"]["resourceType"] == "DetectedIssue":
                coding = entry["resource"]["code"]["coding"][0]
                assert displays[coding["code"]] == coding["display"]
                seen.add(coding["code"])
    assert len(seen) > 8


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("?_format=json&_pretty=true", 200),
        ("?_format=xml", 406),
        ("?_pretty=maybe", 400),
        ("?_pretty=true&_pretty=true", 400),
        ("?mode=full", 200),
        ("?mode=terminology", 400),
        ("?patient=Zz9marked", 400),
    ],
)
def test_the_form_is_negotiated_and_an_unknown_option_refused(
    client: TestClient, query: str, status: int
) -> None:
    answer = client.get(f"/fhir/r4/metadata{query}")
    assert answer.status_code == status
    assert (answer.text.count("\n") > 20) == (query == "?_format=json&_pretty=true")


def test_what_does_not_exist_is_404_and_what_is_only_read_takes_no_post(
    client: TestClient,
) -> None:
    assert client.get("/fhir/r4/CodeSystem/none").status_code == 404
    answer = client.post("/fhir/r4/metadata")
    assert answer.status_code == 405
    assert answer.json()["resourceType"] == "OperationOutcome"
