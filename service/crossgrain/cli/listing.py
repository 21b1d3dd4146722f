"""What the command line prints or fetches of the service's own tables.

what is known before any patient.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import httpx2 as httpx
import typer

from crossgrain import __version__
from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.catalogue.clinic import Root, compose, concepts_in, roots_of, to_be_written
from crossgrain.cli.commands import Exit
from crossgrain.names.errors import DomainError
from crossgrain.names.identity import FhirVersion

PAGE = 1000
"""Concepts asked for at a time."""
MOST_PAGES = 200
_OK = 200
_FHIR = "application/fhir+json"


class NotExpanded(Exception):
    """A ValueSet that the server did not give whole; the message says which and why."""


def expand(server: str, out: Path, token_file: Path | None, client: httpx.Client) -> Exit:
    """Write one expanded ValueSet for each key, then the lines for the clinic's file.

    Nothing is written where one of them fails: half of the sets would pass for all.
    """
    headers = {"accept": _FHIR, "content-type": _FHIR}
    try:
        if token_file and httpx.URL(server).scheme != "https":
            raise NotExpanded("a token is sent over https alone")
        if token_file:
            headers["authorization"] = f"Bearer {token_file.read_text('utf-8').strip()}"
        roots = roots_of(load_catalogue().codes.concerns)
        sets = {root: _expanded(root, server.rstrip("/"), headers, client) for root in roots}
        out.mkdir(parents=True, exist_ok=True)
        for root, value_set in sets.items():
            (out / root.file).write_text(json.dumps(value_set, indent=1), "utf-8")
    except (NotExpanded, OSError, UnicodeDecodeError) as wrong:
        typer.echo(f"crossgrain: {wrong}", err=True)
        return Exit.ERROR
    for root in sets:
        typer.echo(
            f'[[value_set]]\nkind = "{root.kind}"\nkey = "{root.key}"\n'
            f"file = {json.dumps((out.absolute() / root.file).as_posix())}\n"
        )
    return Exit.PLAN


def _expanded(
    root: Root, server: str, headers: Mapping[str, str], client: httpx.Client
) -> dict[str, object]:
    found: list[Mapping[str, object]] = []
    for _ in range(MOST_PAGES):
        page = _page(root, server, headers, client, len(found))
        contains = page.get("contains") or []
        found += contains
        if not contains or len(found) >= page.get("total", len(found)):
            break
    value_set = to_be_written(root, found)
    try:
        held = set(
            concepts_in({**value_set, "expansion": {**page, "offset": 0, "contains": found}})
        )
    except DomainError as wrong:
        raise NotExpanded(f"{root.file}: {wrong.field}: {wrong.message}") from None
    if missing := [code for code in root.codes if code not in {code for _, code in held}]:
        raise NotExpanded(f"{root.file}: the server left out {missing[0]} itself")
    return value_set


def _page(
    root: Root, server: str, headers: Mapping[str, str], client: httpx.Client, offset: int
) -> dict[str, Any]:
    asked = {
        "resourceType": "Parameters",
        "parameter": [
            {
                "name": "valueSet",
                "resource": {
                    "resourceType": "ValueSet", "status": "active", "compose": compose(root),
                },
            },
            {"name": "offset", "valueInteger": offset},
            {"name": "count", "valueInteger": PAGE},
            {"name": "excludeNested", "valueBoolean": True},
        ],
    }  # fmt: skip
    try:
        answer = client.post(
            f"{server}/ValueSet/$expand", content=json.dumps(asked), headers=dict(headers)
        )
    except httpx.HTTPError as wrong:
        raise NotExpanded(f"{root.file}: no answer: {type(wrong).__name__}") from None
    if answer.status_code != _OK:
        raise NotExpanded(f"{root.file}: the server answered {answer.status_code}")
    try:
        expansion = answer.json()["expansion"]
    except (ValueError, KeyError, TypeError):
        raise NotExpanded(f"{root.file}: the answer is not an expanded ValueSet") from None
    if not isinstance(expansion, dict) or not isinstance(expansion.get("contains", []), list):
        raise NotExpanded(f"{root.file}: the answer is not an expanded ValueSet")
    return expansion


def show_bases(chart: Path | None) -> Exit:
    """Print every basis, or say what is wrong with the chart."""
    catalogue = _with_chart(chart)
    if catalogue is None:
        return Exit.ERROR
    from crossgrain.cli.show.evidence import show_bases as show  # noqa: PLC0415

    show(catalogue.bases)
    return Exit.PLAN


def show_evidence(chart: Path | None, *, markdown: bool) -> Exit:
    """Print how every basis fares, or the whole note; or say what is wrong with the chart."""
    catalogue = _with_chart(chart)
    if catalogue is None:
        return Exit.ERROR
    from crossgrain.cli.show import evidence as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.evidence_note(catalogue), nl=False)
    else:
        show.show_evidence(catalogue)
    return Exit.PLAN


def show_numbers(chart: Path | None, *, markdown: bool) -> Exit:
    """Print every clinical number, or the note on them; or say what is wrong with the chart."""
    catalogue = _with_chart(chart)
    if catalogue is None:
        return Exit.ERROR
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.numbers_note(catalogue), nl=False)
    else:
        show.show_numbers(catalogue)
    return Exit.PLAN


def show_settings(*, markdown: bool) -> Exit:
    """Print every setting, or the note on them."""
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.settings_note(), nl=False)
    else:
        show.show_settings()
    return Exit.PLAN


def show_options(*, markdown: bool) -> Exit:
    """Print every option of every operation, or the note on them."""
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    catalogue = load_catalogue()
    if markdown:
        typer.echo(show.options_note(catalogue), nl=False)
    else:
        show.show_options(catalogue)
    return Exit.PLAN


def show_errors(*, markdown: bool) -> Exit:
    """Print every error, or the note on them."""
    from crossgrain.cli.show import reference as show  # noqa: PLC0415

    if markdown:
        typer.echo(show.errors_note(), nl=False)
    else:
        show.show_errors()
    return Exit.PLAN


def _with_chart(chart: Path | None) -> Catalogue | None:
    try:
        return load_catalogue(chart)
    except DomainError as error:
        typer.echo(f"--chart, {error.field}: {error.message}", err=True)
        return None


def write_package(version: FhirVersion, out: Path) -> Exit:
    """Write the FHIR package of one version, and say its name and size."""
    from crossgrain.app.conformance.guide import package, package_name  # noqa: PLC0415
    from crossgrain.operations.desk import desk_over, now  # noqa: PLC0415

    packed = package(desk_over(load_catalogue(), now), version)
    try:
        out.write_bytes(packed)
    except OSError as wrong:
        typer.echo(f"crossgrain: {out}: {wrong.strerror}", err=True)
        return Exit.ERROR
    typer.echo(f"{package_name(version)} {__version__}: {len(packed)} bytes in {out}")
    return Exit.PLAN


def show_openapi() -> Exit:
    """Print the OpenAPI document that the package carries."""
    from crossgrain.http.routes import packaged  # noqa: PLC0415

    document = packaged()
    if not document:
        typer.echo("openapi.json is empty; in a clone, make it: python -m openapi", err=True)
        return Exit.ERROR
    typer.echo(document, nl=False)
    return Exit.PLAN
