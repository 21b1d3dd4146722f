"""Gathering a patient's record: first what the call brought, then what may be fetched."""

from collections.abc import Iterable, Iterator
from typing import Any

from crossgrain.cds.fetching import Fetcher
from crossgrain.cds.hook import FHIR_ID, HookCall, Server
from crossgrain.cds.prefetch import Gathered, sort_out
from crossgrain.cds.services import Template
from crossgrain.reading.resolve import without_version

_MOST_MEDICATIONS = 50


class Gatherer:
    """Knows what to ask for, and whom it may ask; without a fetcher, no one."""

    def __init__(self, asked_for: tuple[Template, ...], fetcher: Fetcher | None) -> None:
        self._templates = asked_for
        self._fetcher = fetcher

    def brought(self, call: HookCall) -> list[Gathered]:
        """What the call holds for every template."""
        return [sort_out(template, call.prefetch) for template in self._templates]

    async def completed(self, call: HookCall, brought: list[Gathered]) -> list[Gathered]:
        """The same, with what was not whole fetched where that is allowed."""
        fetcher = self._fetcher
        if fetcher is None or call.server is None or not fetcher.may_ask(call.server):
            return brought
        wanted = [(g.template, g.template.filled(call.patient_id)) for g in brought
                  if g.template.missed and not g.is_whole]  # fmt: skip
        fetched = {g.template.key: g for g in await fetcher.fetch(call.server, wanted)}
        # A part that was sent is better than nothing that was fetched.
        return [
            better if (better := fetched.get(g.template.key)) and better.is_whole else g
            for g in brought
        ]

    async def with_medications(self, call: HookCall, resources: list[Gathered]) -> list[Gathered]:
        """Add the Medications that orders only refer to, where they may be fetched."""
        fetcher = self._fetcher
        if fetcher is None or call.server is None or not fetcher.may_ask(call.server):
            return resources
        wanted = list(_medications(call, call.server, resources))
        fetched = await fetcher.fetch(call.server, wanted)
        return resources + [g for g in fetched if g.is_whole and g.resources]


def _medications(
    call: HookCall, server: Server, resources: list[Gathered]
) -> Iterator[tuple[Template, str]]:
    """The Medications that are referred to and not there, as reads."""
    there = {f"Medication/{resource.get('id')}" for resource in _all(resources)}
    orders = [draft.resource for draft in call.drafts]
    named = {_medication(resource, server) for resource in (*_all(resources), *orders)}
    for reference in sorted(r for r in named if r and r not in there)[:_MOST_MEDICATIONS]:
        yield Template(reference, "Medication", reference), reference


def _all(gathered: Iterable[Gathered]) -> Iterator[dict[str, Any]]:
    return (part.resource for each in gathered for part in each.resources)


def _medication(resource: dict[str, Any], server: Server) -> str | None:
    """The Medication that an order or a statement points at on the server."""
    pointer = resource.get("medicationReference")
    reference = pointer.get("reference") if isinstance(pointer, dict) else None
    if not isinstance(reference, str):
        return None
    named = without_version(reference).removeprefix(f"{server.base}/")
    kind, _, own_id = named.partition("/")
    return named if kind == "Medication" and FHIR_ID.fullmatch(own_id) else None
