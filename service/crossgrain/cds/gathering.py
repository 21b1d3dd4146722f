"""Gathering a patient's record: first what the call brought, then what may be fetched.

What fails stays missing: it is said, never guessed.
"""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from crossgrain.cds.hook import ClientServer, HookCall
from crossgrain.cds.messages import FHIR_ID
from crossgrain.cds.services import (
    Gathered,
    Template,
    TemplateAnswer,
    lacks,
    sort_out,
)
from crossgrain.reading.resolve import without_version

if TYPE_CHECKING:
    from crossgrain.cds.fetching import Fetcher

_MOST_MEDICATIONS = 50


class Gatherer:
    """Knows what to ask for, and whom it may ask; without a fetcher, no one."""

    def __init__(
        self,
        asked_for: tuple[Template, ...],
        fetcher: "Fetcher | None",
        *,
        orders_alone: bool = False,
    ) -> None:
        self._templates = asked_for
        self._fetcher = fetcher
        self._orders_alone = orders_alone

    def brought(self, call: HookCall) -> list[Gathered]:
        """What the call holds for every template."""
        found = [sort_out(template, call.prefetch) for template in self._templates]
        return [self._unless_deployed_so(each) for each in found]

    def _unless_deployed_so(self, found: Gathered) -> Gathered:
        """What was not sent is not offered where the deployer says that orders are all."""
        not_sent = found.standing is TemplateAnswer.DECLINED
        if not_sent and found.template.may_lack and self._orders_alone:
            return Gathered(found.template, TemplateAnswer.NOT_OFFERED)
        return found

    async def completed(self, call: HookCall, brought: list[Gathered]) -> list[Gathered]:
        """The same, with what was not whole fetched where that is allowed."""
        fetcher = self._fetcher
        if fetcher is None or call.server is None or not fetcher.may_ask(call.server):
            return brought
        wanted = [(g.template, g.template.filled(call.patient_id)) for g in brought
                  if g.template.missed and not g.is_whole]  # fmt: skip
        fetched = {g.template.key: g for g in await fetcher.fetch(call.server, wanted)}
        for each in list(fetched.values()):
            if each.template.may_lack and not each.is_whole:
                fetched |= await self._not_offered(fetcher, call.server, each.template)
        # A part that was sent is better than nothing that was fetched.
        return [
            better if (better := fetched.get(g.template.key)) and better.is_whole else g
            for g in brought
        ]

    async def _not_offered(
        self, fetcher: "Fetcher", server: ClientServer, template: Template
    ) -> dict[str, Gathered]:
        """That the server has no such type, where its CapabilityStatement says so."""
        asked = Template("metadata", "CapabilityStatement", "metadata")
        (found,) = await fetcher.fetch(server, [(asked, asked.query)])
        if any(lacks(part.resource, template.kind) for part in found.resources):
            return {template.key: Gathered(template, TemplateAnswer.NOT_OFFERED)}
        return {}

    async def with_medications(self, call: HookCall, resources: list[Gathered]) -> list[Gathered]:
        """Add the Medications that orders only refer to, where they may be fetched."""
        fetcher = self._fetcher
        if fetcher is None or call.server is None or not fetcher.may_ask(call.server):
            return resources
        wanted = list(_medications(call, call.server, resources))
        fetched = await fetcher.fetch(call.server, wanted)
        return resources + [g for g in fetched if g.is_whole and g.resources]


def _medications(
    call: HookCall, server: ClientServer, resources: list[Gathered]
) -> Iterator[tuple[Template, str]]:
    """The Medications that are referred to and not there, as reads."""
    there = {f"Medication/{resource.get('id')}" for resource in _all(resources)}
    orders = [draft.resource for draft in call.drafts]
    named = {_medication(resource, server) for resource in (*_all(resources), *orders)}
    for reference in sorted(r for r in named if r and r not in there)[:_MOST_MEDICATIONS]:
        yield Template(reference, "Medication", reference), reference


def _all(gathered: Iterable[Gathered]) -> Iterator[dict[str, Any]]:
    return (part.resource for each in gathered for part in each.resources)


def _medication(resource: dict[str, Any], server: ClientServer) -> str | None:
    """The Medication that an order or a statement points at on the server."""
    pointer = resource.get("medicationReference")
    reference = pointer.get("reference") if isinstance(pointer, dict) else None
    if not isinstance(reference, str):
        return None
    named = without_version(reference).removeprefix(f"{server.base}/")
    kind, _, own_id = named.partition("/")
    return named if kind == "Medication" and FHIR_ID.fullmatch(own_id) else None
