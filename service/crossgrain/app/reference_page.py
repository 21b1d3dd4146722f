"""``/docs``: every route, option and error on one page, drawn from the OpenAPI document.

It loads nothing from elsewhere, so it can be read where no network is. R5 has the routes of R4 at
its own base, and is not told a second time.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import FastAPI
from starlette.responses import Response

from crossgrain import __version__
from crossgrain.http.boundary import REFERENCE
from crossgrain.http.openapi import packaged
from crossgrain.names.identity import FhirVersion
from crossgrain.sheet.rendering import content_policy, render, styled

Document = dict[str, Any]
_SHOWN_UP_TO = 6000
"""Characters of an example; a longer one is named, and stands in the document itself."""


@dataclass(frozen=True, slots=True)
class ShownExample:
    """One example: its name, what it is of, and its text, empty where that is too long."""

    name: str
    summary: str
    text: str


@dataclass(frozen=True, slots=True)
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
    return told["name"], told["in"], kind, told.get("description", "")


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

    async def docs() -> Response:
        page = reference_page(json.loads(packaged()))
        return Response(page, media_type="text/html", headers=headers)

    app.add_api_route(REFERENCE, docs, methods=["GET", "HEAD"], include_in_schema=False)
