"""Sheets of the ordinary visits in the midst of a plan."""

import tomllib
from functools import lru_cache
from typing import Any

from tests.conformance.patients import CATALOGUE, FIXTURES
from tests.unit.sheet.pages import BRITISH, VERSION

from crossgrain.core.next_step import NextStep
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import desk_over, now, parse_resource
from crossgrain.operations.next_step import settle
from crossgrain.operations.parameters import from_query
from crossgrain.sheet.page import Sheet, sheet_html
from crossgrain.sheet.person import person_in
from crossgrain.sheet.sources import sources_in

VISITS: dict[str, dict[str, Any]] = {
    visit["name"]: visit
    for visit in tomllib.loads((FIXTURES / "visits" / "visits.toml").read_text("utf-8"))["visit"]
}


@lru_cache
def visit(name: str) -> NextStep:
    """The next step of a fixture's visit."""
    listed = VISITS[name]
    asked = [("as-of", listed["as_of"]), *(("stock", each) for each in listed.get("stock", ()))]
    return settle(desk_over(CATALOGUE, now), record(name), from_query(asked), FhirVersion.R4).step


def record(name: str) -> dict[str, Any]:
    """What stands in the record then."""
    return parse_resource((FIXTURES / "visits" / f"{name}.json").read_bytes())


@lru_cache
def visit_sheet(name: str) -> bytes:
    """Its sheet."""
    return sheet_html(
        Sheet.of(visit(name)),
        CATALOGUE,
        service_version=VERSION,
        person=person_in(record(name)),
        tag=BRITISH,
        sources=sources_in(record(name), "Bundle"),
    )


WITH_PLAN = [name for name in VISITS if visit(name).proposal.plan]
