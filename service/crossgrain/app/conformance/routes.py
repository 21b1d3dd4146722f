"""``GET /fhir/{v}/metadata`` and the read of each definition."""

from collections.abc import Awaitable, Callable, Iterable, Iterator
from enum import Enum
from functools import cache

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain import __version__
from crossgrain.app.conformance.definitions import (
    APPLY_ID,
    PLAN_ID,
    PUBLISHED,
    Resource,
    head,
)
from crossgrain.app.conformance.guide import (
    GUIDE_ID,
    definitions,
    package,
    package_file,
    shelf_of,
)
from crossgrain.app.conformance.library import DATA_REQUIREMENTS
from crossgrain.app.conformance.lookup import (
    SEARCHED_BY,
    TERMINOLOGY,
    Shelf,
    TerminologyCall,
    TerminologyOperation,
    asked_in_body,
    refuse_others,
    search,
)
from crossgrain.app.conformance.profiles import supported, whole
from crossgrain.http.requests import (
    SPOKEN,
    Form,
    check_content,
    form_wanted,
    preference_applied,
    read_body,
    without_form,
)
from crossgrain.http.settings import Settings
from crossgrain.names.identity import SERVICE_NAME, FhirVersion, canonical
from crossgrain.operations.desk import Desk, parse_resource
from crossgrain.operations.faults import Fault, refusal
from crossgrain.operations.parameters import Given, from_query
from crossgrain.writing.forms import to_json

_SECURITY = "http://terminology.hl7.org/CodeSystem/restful-security-service"


def capability_statement(
    version: FhirVersion, settings: Settings, definitions: Iterable[Resource]
) -> Resource:
    """Generated from the definitions that are published beside it."""
    every = list(definitions)
    body = head(
        "CapabilityStatement",
        f"crossgrain-{version}",
        SERVICE_NAME,
        "Proposes how to move a patient between thyroid hormone preparations. Stateless: what it"
        " is sent is neither stored nor logged.",
    )
    body["kind"] = "instance"
    body["software"] = {"name": SERVICE_NAME, "version": __version__, "releaseDate": PUBLISHED}
    body["implementation"] = {"description": f"{SERVICE_NAME}, FHIR {version.number}"}
    if settings.public_url:
        body["implementation"]["url"] = f"{settings.public_url}/fhir/{version}"
    body["implementationGuide"] = [canonical("ImplementationGuide", GUIDE_ID)]
    body["fhirVersion"] = version.number
    body["format"] = [*SPOKEN, "json"]
    body["rest"] = [
        {
            "mode": "server",
            "security": _security(settings),
            "resource": [*_resources(every), *_profiled(version)],
            "operation": [
                _operation(d)
                for d in every
                if d["resourceType"] == "OperationDefinition" and d["system"]
            ],
        }
    ]
    return body


def _security(settings: Settings) -> Resource:
    body: Resource = {"cors": bool(settings.cors_origins)}
    if settings.fhir_auth in {None, "off"}:
        body["description"] = "None: anyone who reaches the service may call it."
        return body
    coding = {"system": _SECURITY, "code": "OAuth", "display": "OAuth"}
    body["service"] = [{"coding": [coding], "text": "OAuth 2.0 bearer token with SMART scopes"}]
    body["description"] = (
        "Every FHIR operation takes an OAuth 2.0 access token; its definition names the scope."
    )
    return body


def _resources(definitions: list[Resource]) -> list[Resource]:
    kinds = dict.fromkeys(definition["resourceType"] for definition in definitions)
    return [
        {
            "type": kind,
            "interaction": [{"code": "read"}, {"code": "search-type"}],
            "searchParam": [{"name": name, "type": of} for name, of in SEARCHED_BY.items()],
            **_operations_of(kind, definitions),
        }
        for kind in kinds
    ]


def _profiled(version: FhirVersion) -> Iterator[Resource]:
    """Types that are only sent and answered: none of them can be read here."""
    for kind, urls in supported(version).items():
        words = "Read in a record that is sent, or written in an answer; nothing is stored here."
        yield {"type": kind, "supportedProfile": urls, "documentation": words}


def _operations_of(kind: str, definitions: list[Resource]) -> Resource:
    """What can be asked of a type or of one of its definitions."""
    served = [
        {"name": each.name, "definition": each.definition}
        for each in TERMINOLOGY
        if each.kind == kind
    ]
    if kind in DATA_REQUIREMENTS:
        served.append({"name": "data-requirements", "definition": DATA_REQUIREMENTS[kind]})
    if kind != "PlanDefinition":
        return {"operation": served} if served else {}
    (apply,) = (d for d in definitions if d["id"] == APPLY_ID)
    return {
        "documentation": f"{PLAN_ID} is the one plan definition.",
        "operation": [_operation(apply), *served],
    }


def _operation(definition: Resource) -> Resource:
    return {"name": definition["code"], "definition": definition["url"]}


READABLE = (
    "ImplementationGuide",
    "PlanDefinition",
    "Library",
    "Questionnaire",
    "OperationDefinition",
    "StructureDefinition",
    "CodeSystem",
    "ValueSet",
)
"""The types that can be read by id; the CapabilityStatement stands at ``metadata``."""


def statement(desk: Desk, version: FhirVersion, settings: Settings) -> Resource:
    """The CapabilityStatement."""
    return capability_statement(version, settings, definitions(desk, version))


Endpoint = Callable[[Request], Awaitable[Response]]


def add_conformance(app: FastAPI, desk: Desk, settings: Settings) -> None:
    """Add the routes of both versions; every resource is built here, once."""
    for version in FhirVersion:
        shelf = shelf_of(desk, version)
        _add_metadata(app, version, capability_statement(version, settings, shelf.values()))
        for served in TERMINOLOGY:
            _add_terminology(app, served, version, shelf, settings)
        _add_data_requirements(app, version, shelf, settings)
        _add_package(app, version, desk)
        for kind in READABLE:
            _add_search(app, version, kind, shelf)
            _add_read(app, version, kind, shelf)


def _add_metadata(app: FastAPI, version: FhirVersion, capability: Resource) -> None:
    async def metadata(request: Request) -> Response:
        """What this service does, as a CapabilityStatement."""
        return answer(request, capability, version, {"mode": ("full",)})

    _add_get(app, f"/fhir/{version}/metadata", metadata, version)


def _add_read(app: FastAPI, version: FhirVersion, kind: str, shelf: Shelf) -> None:
    async def read(request: Request) -> Response:
        """Read one definition."""
        found = _found(shelf, kind, request.path_params["id"])
        return answer(request, whole(found, version), version, {})

    _add_get(app, f"/fhir/{version}/{kind}/{{id}}", read, version)


def _add_data_requirements(
    app: FastAPI, version: FhirVersion, shelf: Shelf, settings: Settings
) -> None:
    """FHIR's own operation at our one Library, which holds nothing but these, and at the
    PlanDefinition that names it; by GET and by POST, without a parameter."""

    for kind in DATA_REQUIREMENTS:

        async def by_get(request: Request, kind: str = kind) -> Response:
            own_id = _found(shelf, kind, request.path_params["id"])["id"]
            return answer(request, shelf["Library", own_id], version, {})

        async def by_post(request: Request, kind: str = kind) -> Response:
            sent = await read_body(request, settings)
            if sent:
                check_content(request.headers, version)
                refuse_others(asked_in_body(parse_resource(sent), ""), ())
            return await by_get(request, kind)

        address = f"/fhir/{version}/{kind}/{{id}}/$data-requirements"
        app.add_api_route(address, by_get, methods=["GET", "HEAD"], include_in_schema=False)
        app.add_api_route(address, by_post, methods=["POST"], include_in_schema=False)


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


def _add_search(app: FastAPI, version: FhirVersion, kind: str, shelf: Shelf) -> None:
    async def found(request: Request) -> Response:
        """Find definitions, above all by their canonical."""
        query = request.query_params.multi_items()
        form = form_wanted(request.headers, query, version)
        return _written(
            request, search(kind, version, shelf, from_query(without_form(query))), form
        )

    _add_get(app, f"/fhir/{version}/{kind}", found, version)


def _add_terminology(
    app: FastAPI,
    served: TerminologyOperation,
    version: FhirVersion,
    shelf: Shelf,
    settings: Settings,
) -> None:
    """One of FHIR's own operations, by GET and by POST, at type level and at one definition."""

    async def by_get(request: Request) -> Response:
        return _answered(request, (), posted=False)

    async def by_post(request: Request) -> Response:
        check_content(request.headers, version)
        body = parse_resource(await read_body(request, settings))
        return _answered(request, asked_in_body(body, served.system_as), posted=True)

    def _answered(request: Request, in_body: tuple[Given, ...], *, posted: bool) -> Response:
        query = request.query_params.multi_items()
        form = form_wanted(request.headers, query, version)
        asked = (*in_body, *from_query(without_form(query)))
        refuse_others(asked, served.takes)
        call = TerminologyCall(version, shelf, request.path_params.get("id"), asked, posted)
        return _written(request, served.answer(call), form)

    at_type = f"/fhir/{version}/{served.kind}"
    _add_get(app, f"{at_type}/${served.name}", by_get, version)
    app.add_api_route(
        f"{at_type}/${served.name}", by_post, methods=["POST"], include_in_schema=False
    )
    if served.at_instance:
        address = f"{at_type}/{{id}}/${served.name}"
        app.add_api_route(address, by_get, methods=["GET", "HEAD"], include_in_schema=False)
        app.add_api_route(address, by_post, methods=["POST"], include_in_schema=False)


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
