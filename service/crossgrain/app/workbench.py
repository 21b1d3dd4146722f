"""``/``: a page for trying the service by hand. It calls the same routes as everyone else.

The invented patients of the fixtures come with the package as examples.
"""

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response

from crossgrain.http.requests import FHIR_JSON
from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Fault, refusal
from crossgrain.sheet.rendering import content_policy, render, static, styled

_EXAMPLES = files("crossgrain.app").joinpath("examples")


@dataclass(frozen=True, slots=True)
class Example:
    """An invented patient: the file's name, its story, and what it is asked for."""

    file: str
    story: str
    target: str
    as_of: str
    body: bytes


def examples() -> tuple[Example, ...]:
    """The examples in the order of their list; none where the package came without them."""
    listed = _EXAMPLES.joinpath("scenario.toml")
    if not listed.is_file():
        return ()
    scenario = tomllib.loads(listed.read_text("utf-8"))
    return tuple(
        Example(
            file=patient["file"],
            story=patient["story"],
            target=patient.get("target", ""),
            as_of=scenario["as_of"],
            body=_EXAMPLES.joinpath("patients", patient["file"]).read_bytes(),
        )
        for patient in scenario["patient"]
    )


def add_workbench(app: FastAPI, desk: Desk) -> None:
    """Add the page and its examples."""
    shelf = {example.file: example for example in examples()}
    page = render("workbench.html", _shown(desk, tuple(shelf.values())))
    headers = {
        "Content-Security-Policy": _policy(),
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
    }

    async def workbench(request: Request) -> Response:
        return Response(page, media_type="text/html", headers=headers)

    async def example(request: Request) -> Response:
        found = shelf.get(request.path_params["file"])
        if found is None:
            raise refusal(Fault.NOT_FOUND, None, "there is no such example")
        return Response(found.body, media_type=FHIR_JSON)

    for path, endpoint in (("/", workbench), ("/examples/{file}", example)):
        app.add_api_route(path, endpoint, methods=["GET", "HEAD"], include_in_schema=False)


def _shown(desk: Desk, shelf: tuple[Example, ...]) -> dict[str, Any]:
    options = {option.name: option.codes for option in desk.switch_options}
    return {
        "version": desk.service_version,
        "examples": shelf,
        "targets": options["target"],
        "bases": [basis for basis in desk.catalogue.bases if basis.id in options["basis"]],
        "paces": options["pace"],
        "prior_therapies": options["prior-therapy"],
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
