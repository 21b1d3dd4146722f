"""Gathering a patient's record: first what the call brought, then what may be fetched."""

from collections.abc import Iterable, Iterator
from typing import Any

from crossgrain.api.cds.fetching import Fetcher
from crossgrain.api.cds.hook import FHIR_ID, HookCall, Server
from crossgrain.api.cds.prefetch import Gathered, sort_out
from crossgrain.api.cds.services import Template
from crossgrain.fhir.read.resolve import local

_MOST_MEDICATIONS = 50


class Gatherer:
    """Knows what to ask for, and whom it may ask."""

    def __init__(self, asked_for: tuple[Template, ...], fetcher: Fetcher) -> None:
        self._templates = asked_for
        self._fetcher = fetcher

    def brought(self, call: HookCall) -> list[Gathered]:
        """What the call holds for every template."""
        return [sort_out(template, call.prefetch) for template in self._templates]

    async def completed(self, call: HookCall, brought: list[Gathered]) -> list[Gathered]:
        """The same, with what was not whole fetched where that is allowed."""
        if call.server is None or not self._fetcher.may_ask(call.server):
            return brought
        wanted = [(g.template, g.template.filled(call.patient_id)) for g in brought
                  if not g.is_whole]  # fmt: skip
        fetched = {g.template.key: g for g in await self._fetcher.fetch(call.server, wanted)}
        # A part that was sent is better than nothing that was fetched.
        return [
            better if (better := fetched.get(g.template.key)) and better.is_whole else g
            for g in brought
        ]

    async def with_medications(self, call: HookCall, resources: list[Gathered]) -> list[Gathered]:
        """Add the Medications that orders only refer to, where they may be fetched."""
        if call.server is None or not self._fetcher.may_ask(call.server):
            return resources
        return resources + await self._medications(call.server, call, resources)

    async def _medications(
        self, server: Server, call: HookCall, resources: list[Gathered]
    ) -> list[Gathered]:
        there = {f"Medication/{r.get('id')}" for r in _all(resources)}
        named = {ref for r in (*_all(resources), *(d.resource for d in call.drafts))
                 if (ref := _medication(r)) and ref not in there}  # fmt: skip
        wanted = [
            (Template(reference, "Medication", reference), reference)
            for reference in sorted(named)[:_MOST_MEDICATIONS]
        ]
        fetched = await self._fetcher.fetch(server, wanted)
        return [gathered for gathered in fetched if gathered.is_whole and gathered.resources]


def _all(gathered: Iterable[Gathered]) -> Iterator[dict[str, Any]]:
    return (resource for each in gathered for _, resource in each.resources)


def _medication(resource: dict[str, Any]) -> str | None:
    """The Medication that an order or a statement points at on the same server."""
    pointer = resource.get("medicationReference")
    reference = pointer.get("reference") if isinstance(pointer, dict) else None
    if not isinstance(reference, str) or reference.startswith(("#", "urn:")):
        return None
    kind, _, own_id = local(reference).partition("/")
    return f"{kind}/{own_id}" if kind == "Medication" and FHIR_ID.fullmatch(own_id) else None
