"""``GET /fhir/{v}/metadata`` and the read of each definition."""

from collections.abc import Callable
from enum import Enum
from functools import cache, partial

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain.app.conformance.capabilities import READABLE, instance_id, instance_statement
from crossgrain.app.conformance.definitions import Resource
from crossgrain.app.conformance.guide import (
    definitions,
    package,
    package_file,
    shelf_of,
)
from crossgrain.app.conformance.library import DATA_REQUIREMENTS
from crossgrain.app.conformance.lookup import (
    TERMINOLOGY,
    Shelf,
    TerminologyCall,
    TerminologyOperation,
    asked_in_body,
    coded_in,
    refuse_others,
    search,
)
from crossgrain.app.conformance.profiles import whole
from crossgrain.http.requests import (
    Form,
    check_content,
    form_wanted,
    preference_applied,
    read_body,
    without_form,
)
from crossgrain.http.routes import Endpoint, add_untold
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import Desk, parse_resource
from crossgrain.operations.faults import Fault, refusal
from crossgrain.operations.parameters import Given, from_query
from crossgrain.writing.forms import to_json


def statement(desk: Desk, version: FhirVersion, settings: Settings) -> Resource:
    """The CapabilityStatement."""
    return instance_statement(version, settings, definitions(desk, version))


Shelved = Callable[[], Shelf]
"""Gives the definitions of one version; they are built when the first of them is asked for."""


def add_conformance(app: FastAPI, desk: Desk, settings: Settings) -> None:
    """Add the routes of both versions."""
    for version in FhirVersion:
        shelf = cache(partial(_shelved, desk, version, settings))
        _add_metadata(app, version, shelf)
        for served in TERMINOLOGY:
            _add_terminology(app, served, version, shelf, settings)
        for kind in DATA_REQUIREMENTS:  # our one Library, and the PlanDefinition that names it
            _add_data_requirements(app, version, kind, shelf, settings)
        _add_package(app, version, desk)
        for kind in READABLE:
            _add_search(app, version, kind, shelf, settings)
            _add_read(app, version, kind, shelf)


def _shelved(desk: Desk, version: FhirVersion, settings: Settings) -> Shelf:
    """What is the same in every deployment, and the statement of this one."""
    published = shelf_of(desk, version)
    own = instance_statement(version, settings, published.values())
    return {**published, _own(version): own}


def _own(version: FhirVersion) -> tuple[str, str]:
    return "CapabilityStatement", instance_id(version)


def _add_metadata(app: FastAPI, version: FhirVersion, shelf: Shelved) -> None:
    async def metadata(request: Request) -> Response:
        """What this service does, as a CapabilityStatement."""
        return answer(request, shelf()[_own(version)], version, {"mode": ("full",)})

    _add_get(app, f"/fhir/{version}/metadata", metadata, version)


def _add_read(app: FastAPI, version: FhirVersion, kind: str, shelf: Shelved) -> None:
    async def read(request: Request) -> Response:
        """Read one definition."""
        found = _found(shelf(), kind, request.path_params["id"])
        return answer(request, whole(found, version), version, {})

    _add_get(app, f"/fhir/{version}/{kind}/{{id}}", read, version)


def _add_data_requirements(
    app: FastAPI, version: FhirVersion, kind: str, shelf: Shelved, settings: Settings
) -> None:
    """One of FHIR's own operations, by GET and by POST, without a parameter."""

    async def by_get(request: Request) -> Response:
        own_id = _found(shelf(), kind, request.path_params["id"])["id"]
        return answer(request, shelf()["Library", own_id], version, {})

    async def by_post(request: Request) -> Response:
        sent = await read_body(request, settings)
        if sent:
            check_content(request.headers, version)
            refuse_others(asked_in_body(parse_resource(sent), ""), ())
        return await by_get(request)

    address = f"/fhir/{version}/{kind}/{{id}}/$data-requirements"
    add_untold(app, address, by_get, "GET", "HEAD")
    add_untold(app, address, by_post, "POST")


def _add_package(app: FastAPI, version: FhirVersion, desk: Desk) -> None:
    packed = cache(lambda: package(desk, version))
    kept_as = f'attachment; filename="{package_file(version)}"'

    async def the_package(request: Request) -> Response:
        """Every definition of this version, as the package that FHIR tools load."""
        refuse_others(from_query(request.query_params.multi_items()), ())
        headers = {"Content-Disposition": kept_as}
        return Response(packed(), media_type="application/gzip", headers=headers)

    _add_get(app, f"/fhir/{version}/package.tgz", the_package, version)


def _found(shelf: Shelf, kind: str, own_id: str) -> Resource:
    found = shelf.get((kind, own_id))
    if found is None:
        raise refusal(Fault.NOT_FOUND, None, f"there is no such {kind}")
    return found


def _add_search(
    app: FastAPI, version: FhirVersion, kind: str, shelf: Shelved, settings: Settings
) -> None:
    path = f"/fhir/{version}/{kind}"

    async def found(request: Request) -> Response:
        """Find definitions, above all by their canonical."""
        query = request.query_params.multi_items()
        form = form_wanted(request.headers, query, version)
        address = f"{(settings.public_url or str(request.base_url)).rstrip('/')}{path}"
        asked = from_query(without_form(query))
        return _written(request, search(kind, version, shelf(), asked, address), form)

    _add_get(app, path, found, version)


def _add_terminology(
    app: FastAPI,
    served: TerminologyOperation,
    version: FhirVersion,
    shelf: Shelved,
    settings: Settings,
) -> None:
    """One of FHIR's own operations, by GET and by POST, at type level and at one definition."""

    async def by_get(request: Request) -> Response:
        return _answered(request, ())

    async def by_post(request: Request) -> Response:
        check_content(request.headers, version)
        body = parse_resource(await read_body(request, settings))
        return _answered(request, asked_in_body(body, served.system_as), body)

    def _answered(
        request: Request, in_body: tuple[Given, ...], body: Resource | None = None
    ) -> Response:
        query = request.query_params.multi_items()
        form = form_wanted(request.headers, query, version)
        asked = (*in_body, *from_query(without_form(query)))
        refuse_others(asked, served.takes)
        call = TerminologyCall(
            version,
            shelf(),
            request.path_params.get("id"),
            asked,
            posted=body is not None,
            coded_in=coded_in(body) if body else None,
        )
        return _written(request, served.answer(call), form)

    at_type = f"/fhir/{version}/{served.kind}"
    _add_get(app, f"{at_type}/${served.name}", by_get, version)
    add_untold(app, f"{at_type}/${served.name}", by_post, "POST")
    if served.at_instance:
        address = f"{at_type}/{{id}}/${served.name}"
        add_untold(app, address, by_get, "GET", "HEAD")
        add_untold(app, address, by_post, "POST")


def _add_get(app: FastAPI, path: str, endpoint: Endpoint, version: FhirVersion) -> None:
    tags: list[str | Enum] = [f"FHIR {version.number}"]
    app.add_api_route(
        path,
        endpoint,
        methods=["GET"],
        response_class=Response,
        operation_id=path.strip("/").replace("/", "-").replace("{id}", "read").replace("$", ""),
        tags=tags,
    )
    add_untold(app, path, endpoint, "HEAD")


def answer(
    request: Request,
    resource: Resource,
    version: FhirVersion,
    takes: dict[str, tuple[str, ...]],
) -> Response:
    """The resource in the form asked for; any other option of the query is refused."""
    query = request.query_params.multi_items()
    form = form_wanted(request.headers, query, version)
    given = from_query(without_form(query))
    refuse_others(given, takes)
    for one in given:
        if one.value not in takes[one.name]:
            words = f"{one.name} is given as {' or '.join(takes[one.name])}"
            raise refusal(Fault.OPTION_VALUE, one.expression, words)
    return _written(request, resource, form)


def _written(request: Request, resource: Resource, form: Form) -> Response:
    return Response(
        to_json(resource, pretty=form.pretty),
        media_type=form.media_type,
        headers=preference_applied(request.headers),
    )
