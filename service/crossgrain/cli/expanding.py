"""``crossgrain expand``: the safety rules' concepts, expanded by a terminology server."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import httpx2 as httpx
import typer

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.clinic import Root, compose, concepts_in, roots_of, to_be_written
from crossgrain.cli.commands import Exit
from crossgrain.names.errors import DomainError

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
