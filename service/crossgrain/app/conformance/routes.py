"""``GET /fhir/{v}/metadata`` and the read of each definition."""

from collections.abc import Awaitable, Callable, Iterator, Mapping
from enum import Enum

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain.app.conformance.capability import capability_statement
from crossgrain.app.conformance.heads import Resource
from crossgrain.app.conformance.operation_definitions import (
    apply_definition,
    compare_bases_definition,
    propose_switch_definition,
    screen_switches_definition,
)
from crossgrain.app.conformance.plan_definition import plan_definition
from crossgrain.app.conformance.structure_definitions import series_extension
from crossgrain.app.conformance.terminology import code_system, every_code_system, value_set
from crossgrain.http.negotiation import form_wanted, without_form
from crossgrain.http.requests import preference_applied
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Fault, refusal
from crossgrain.operations.screen_switches import screening_options
from crossgrain.writing.forms import to_json

Shelf = Mapping[tuple[str, str], Resource]
READABLE = (
    "PlanDefinition",
    "OperationDefinition",
    "StructureDefinition",
    "CodeSystem",
    "ValueSet",
)
"""The types that can be read by id; the CapabilityStatement stands at ``metadata``."""


def definitions(desk: Desk, version: FhirVersion) -> Iterator[Resource]:
    """Everything but the CapabilityStatement."""
    yield plan_definition(desk.catalogue)
    yield propose_switch_definition(desk.switch_options)
    yield compare_bases_definition(desk.comparison_options)
    yield screen_switches_definition(screening_options(desk.switch_options))
    yield apply_definition(version)
    yield series_extension(version)
    for codes in every_code_system(desk.catalogue, desk.switch_options):
        yield code_system(codes)
        yield value_set(codes)


def shelf_of(desk: Desk, version: FhirVersion) -> Shelf:
    """What can be read by type and id."""
    return {(r["resourceType"], r["id"]): r for r in definitions(desk, version)}


def statement(desk: Desk, version: FhirVersion, settings: Settings) -> Resource:
    """The CapabilityStatement."""
    return capability_statement(version, settings, definitions(desk, version))


Endpoint = Callable[[Request], Awaitable[Response]]


def add_conformance(app: FastAPI, desk: Desk, settings: Settings) -> None:
    """Add the routes of both versions; every resource is built here, once."""
    for version in FhirVersion:
        _add_metadata(app, version, statement(desk, version, settings))
        shelf = shelf_of(desk, version)
        for kind in READABLE:
            _add_read(app, version, kind, shelf)


def _add_metadata(app: FastAPI, version: FhirVersion, capability: Resource) -> None:
    async def metadata(request: Request) -> Response:
        """What this service does, as a CapabilityStatement."""
        return answer(request, capability, version, {"mode": ("full",)})

    _add_get(app, f"/fhir/{version}/metadata", metadata, version)


def _add_read(app: FastAPI, version: FhirVersion, kind: str, shelf: Shelf) -> None:
    async def read(request: Request) -> Response:
        """Read one definition."""
        found = shelf.get((kind, request.path_params["id"]))
        if found is None:
            raise refusal(Fault.NOT_FOUND, None, f"there is no such {kind}")
        return answer(request, found, version, {})

    _add_get(app, f"/fhir/{version}/{kind}/{{id}}", read, version)


def _add_get(app: FastAPI, path: str, endpoint: Endpoint, version: FhirVersion) -> None:
    tags: list[str | Enum] = [f"FHIR {version.number}"]
    name = path.strip("/").replace("/", "-").replace("{id}", "read")
    app.add_api_route(
        path,
        endpoint,
        methods=["GET"],
        response_class=Response,
        operation_id=name,
        tags=tags,
    )
    app.add_api_route(path, endpoint, methods=["HEAD"], include_in_schema=False)


def answer(
    request: Request,
    resource: Resource,
    version: FhirVersion,
    takes: dict[str, tuple[str, ...]],
) -> Response:
    """The resource in the form asked for; any other option of the query is refused."""
    query = request.query_params.multi_items()
    form = form_wanted(request.headers, query, version)
    for name, value in without_form(query):
        if value not in takes.get(name, ()):
            raise refusal(Fault.OPTION_UNKNOWN, f"http.{name}", "this option is not known here")
    return Response(
        to_json(resource, pretty=form.pretty),
        media_type=form.media_type,
        headers=preference_applied(request.headers),
    )
