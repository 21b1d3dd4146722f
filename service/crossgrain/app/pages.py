"""Two pages of the service itself: the workbench at ``/``, and the reference at ``/docs``.

The workbench calls the same routes as everyone else; its examples, the invented patients and the
visits of the fixtures, come with the package. The reference is drawn from the OpenAPI document; R5,
which has the routes of R4 at its own base, is not told a second time. Neither page loads anything
from elsewhere, so both can be used where no network is.
"""

import json
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain import __version__
from crossgrain.http.boundary import REFERENCE
from crossgrain.http.requests import FHIR_JSON
from crossgrain.http.routes import add_untold, packaged
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Fault, refusal
from crossgrain.sheet.rendering import content_policy, render, static, styled

_EXAMPLES = files("crossgrain.app").joinpath("examples")


SWITCH, VISIT = "$propose-switch", "$next-step"


@frozen
class Example:
    """An invented patient, or one of them at a later visit, and what it is asked for.

    Attributes
    ----------
    file, story : the file's name, and what it tells
    operation : what takes it, as in the address
    as_of : the day on which it is read
    target : of a switch; empty where the record's draft order says it
    stock : the tablets that can be had, where not all can
    body : the record, as it is sent
    """

    file: str
    story: str
    operation: str
    as_of: str
    target: str
    stock: tuple[str, ...]
    body: bytes


def examples() -> tuple[Example, ...]:
    """The switches and then the visits, each in the order of its list.

    None where the package came without them.
    """
    switches, visits = _listed("scenario.toml"), _listed("visits.toml")
    return (
        *(
            _example("patients", each["file"], SWITCH, {**switches, **each})
            for each in switches.get("patient", ())
        ),
        *(
            _example("visits", f"{each['name']}.json", VISIT, each)
            for each in visits.get("visit", ())
        ),
    )


def _listed(name: str) -> dict[str, Any]:
    file = _EXAMPLES.joinpath(name)
    return tomllib.loads(file.read_text("utf-8")) if file.is_file() else {}


def _example(folder: str, file: str, operation: str, told: Mapping[str, Any]) -> Example:
    return Example(
        file=file,
        story=told["story"],
        operation=operation,
        as_of=told["as_of"],
        target=told.get("target", ""),
        stock=tuple(told.get("stock", ())),
        body=_EXAMPLES.joinpath(folder, file).read_bytes(),
    )


def add_workbench(app: FastAPI, desk: Desk) -> None:
    """Add the page and its examples."""
    shelf = {example.file: example for example in examples()}
    page = cache(lambda: render("workbench.html", _shown(desk, tuple(shelf.values()))))
    headers = {
        "Content-Security-Policy": _policy(),
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
    }

    async def workbench(request: Request) -> Response:
        return Response(page(), media_type="text/html", headers=headers)

    async def example(request: Request) -> Response:
        found = shelf.get(request.path_params["file"])
        if found is None:
            raise refusal(Fault.NOT_FOUND, None, "there is no such example")
        return Response(found.body, media_type=FHIR_JSON)

    for path, endpoint in (("/", workbench), ("/examples/{file}", example)):
        add_untold(app, path, endpoint, "GET", "HEAD")


@frozen
class Tried:
    """An operation on the workbench: where it and its sheet are, and its examples."""

    address: str
    sheet: str
    title: str
    whose: str
    examples: tuple[Example, ...]


def _tried(shelf: tuple[Example, ...]) -> Iterator[Tried]:
    for address, sheet, title, whose in (
        (SWITCH, "/sheet", "Propose a switch", "Before a switch"),
        (VISIT, "/sheet/next-step", "The next step", "At a later visit"),
    ):
        yield Tried(address, sheet, title, whose, tuple(e for e in shelf if e.operation == address))


def _shown(desk: Desk, shelf: tuple[Example, ...]) -> dict[str, Any]:
    options = {option.name: option.codes for option in desk.switch_options}
    return {
        "version": desk.service_version,
        "operations": tuple(_tried(shelf)),
        "any_example": bool(shelf),
        "targets": options["target"],
        "bases": [basis for basis in desk.catalogue.bases if basis.id in options["basis"]],
        "paces": options["pace"],
        "prior_therapies": options["prior-therapy"],
        "lt3_doses": options["lt3-doses"],
        "workbench_style": styled("workbench.css"),
        "workbench_script": static("workbench.js"),
    }


def _policy() -> str:
    """The page's own, and the sheet's that it shows: a frame of the same text inherits it."""
    return content_policy(
        (styled("workbench.css"), static("sheet.css")),
        (static("workbench.js"), static("sheet.js")),
        "connect-src 'self'",
        "frame-src 'self'",
        "frame-ancestors 'none'",
    )


Document = dict[str, Any]
ALSO_IN_THE_BODY = " (A parameter of Parameters too.)"
"""Ends the description of each option in the query; the page says it once of all."""
_SHOWN_UP_TO = 6000
"""Characters of an example; a longer one is named, and stands in the document itself."""


@frozen
class ShownExample:
    """One example: its name, what it is of, and its text, empty where that is too long."""

    name: str
    summary: str
    text: str


@frozen
class Route:
    """One route as it is told.

    Attributes
    ----------
    parameters : name, where it stands, its values or type, and what it says
    sent, answered : examples of bodies sent and of answers
    statuses : every status with its meaning
    """

    id: str
    method: str
    path: str
    title: str
    says: str
    parameters: tuple[tuple[str, str, str, str], ...]
    sent: tuple[ShownExample, ...]
    answered: tuple[ShownExample, ...]
    statuses: tuple[tuple[str, str], ...]


def reference_page(document: Document) -> bytes:
    """The page."""
    groups: dict[str, list[Route]] = {}
    for path, item in document["paths"].items():
        if path.startswith(f"/fhir/{FhirVersion.R5}"):
            continue
        for method, operation in item.items():
            group = operation.get("tags", ["other"])[0]
            groups.setdefault(group, []).append(_route(document, path, method, operation))
    values = {
        "version": __version__,
        "says": document["info"]["description"],
        "groups": groups,
        "reference_style": styled("reference.css"),
    }
    return render("reference.html", values)


def _route(document: Document, path: str, method: str, operation: Document) -> Route:
    answers = operation["responses"]
    return Route(
        id=operation["operationId"],
        method=method.upper(),
        path=path,
        title=operation.get("summary", path),
        says=operation.get("description", ""),
        parameters=tuple(map(_parameter, operation.get("parameters", ()))),
        sent=tuple(_examples(document, operation.get("requestBody", {}))),
        answered=tuple(_examples(document, answers["200"])),
        statuses=tuple((status, answer["description"]) for status, answer in answers.items()),
    )


def _parameter(told: Document) -> tuple[str, str, str, str]:
    schema = told["schema"]
    values = schema.get("items", schema)
    kind = ", ".join(values["enum"]) if "enum" in values else values.get("type", "")
    meaning = told.get("description", "").removesuffix(ALSO_IN_THE_BODY)
    return told["name"], told["in"], kind, meaning


def _examples(document: Document, holder: Mapping[str, Any]) -> Iterator[ShownExample]:
    shelf = document["components"]["examples"]
    for content in holder.get("content", {}).values():
        for name in content.get("examples", ()):
            value = shelf[name]["value"]
            text = value if isinstance(value, str) else json.dumps(value, indent=2)
            shown = text if len(text) <= _SHOWN_UP_TO else ""
            yield ShownExample(name, shelf[name]["summary"], shown)


def add_reference_page(app: FastAPI) -> None:
    """Add the route; the page is drawn when it is asked for, so that no start waits for it."""
    headers = {
        "Content-Security-Policy": content_policy(
            (styled("reference.css"),), (), "frame-ancestors 'none'"
        ),
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
    }

    async def docs(request: Request) -> Response:
        page = reference_page(json.loads(packaged()))
        return Response(page, media_type="text/html", headers=headers)

    add_untold(app, REFERENCE, docs, "GET", "HEAD")
