"""Gathering a patient's record: first what the call brought, then what may be fetched.

Only a server on the deployer's list is ever called, a redirect is never followed, a next page
only on the same server, and everything together within one time limit. What fails stays
missing: it is said, never guessed.
"""

import asyncio
from collections.abc import Iterable, Iterator
from typing import Any
from urllib.parse import quote

import httpx2 as httpx

from crossgrain.cds.hook import ClientServer, HookCall
from crossgrain.cds.messages import FHIR_ID
from crossgrain.cds.services import (
    Gathered,
    PlacedResource,
    Template,
    TemplateAnswer,
    from_value,
    is_all,
    lacks,
    sort_out,
)
from crossgrain.http.requests import Turns
from crossgrain.http.settings import Settings
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.resolve import without_version

_MOST_PAGES = 20
_OK = 200
_ACCEPT = "application/fhir+json; fhirVersion=4.0"


class Fetcher:
    """One client for all calls; close it when the service stops."""

    def __init__(
        self, settings: Settings, turns: Turns, transport: httpx.AsyncBaseTransport | None = None
    ) -> None:
        self._turns = turns
        self._servers = frozenset(settings.cds_fhir_servers)
        self._seconds = settings.cds_fetch_seconds
        self._most_bytes = settings.max_body_bytes
        self._client = httpx.AsyncClient(
            follow_redirects=False, timeout=settings.cds_fetch_seconds, transport=transport,
            trust_env=False,
        )  # fmt: skip

    def may_ask(self, server: ClientServer | None) -> bool:
        """Whether the deployer lists that very server."""
        return server is not None and server.base in self._servers

    async def close(self) -> None:
        """Close every connection."""
        await self._client.aclose()

    async def fetch(
        self, server: ClientServer, wanted: Iterable[tuple[Template, str]]
    ) -> list[Gathered]:
        """Ask for several templates at once; each comes back whole or as failed."""
        asked = list(wanted)
        tasks = [asyncio.create_task(self._one(server, *each)) for each in asked]
        if tasks:
            await asyncio.wait(tasks, timeout=self._seconds)
            await self._turns.come()  # what was fetched for many may come at once
        return [_result(task, template) for task, (template, _) in zip(tasks, asked, strict=True)]

    async def _one(self, server: ClientServer, template: Template, query: str) -> Gathered:
        url: str | None = f"{server.base}/{quote(query, safe='/?&=:,.-')}"
        place = f"fhirServer.{template.key}"
        found: tuple[PlacedResource, ...] = ()
        totals: list[dict[str, Any]] = []
        for number in range(_MOST_PAGES):
            page = await self._page(server, url or "")
            link = _next(page)
            whole = {k: v for k, v in page.items() if k not in {"link", "total"}}
            got = from_value(template, page if template.is_read else whole, f"{place}[{number}]")
            if got.standing is not TemplateAnswer.GIVEN:
                return got
            found += got.resources
            totals += [{"total": page["total"]}] if "total" in page else []
            if link is None and all(is_all(total, template, found) for total in totals):
                return Gathered(template, TemplateAnswer.GIVEN, found)
            if not (link or "").startswith((f"{server.base}/", f"{server.base}?")):
                break
            url = link
        return Gathered(template, TemplateAnswer.PARTIAL, found)

    async def _page(self, server: ClientServer, url: str) -> dict[str, Any]:
        headers = {"accept": _ACCEPT}
        if server.token:
            headers["authorization"] = f"Bearer {server.token}"
        chunks: list[bytes] = []
        async with self._client.stream("GET", url, headers=headers) as answer:
            if answer.status_code != _OK:
                raise httpx.HTTPError("not answered")
            async for chunk in answer.aiter_bytes():
                chunks.append(chunk)
                if sum(map(len, chunks)) > self._most_bytes:
                    raise httpx.HTTPError("too large")
        return parse(b"".join(chunks))


def _result(task: "asyncio.Task[Gathered]", template: Template) -> Gathered:
    if not task.done():
        task.cancel()
        return Gathered(template, TemplateAnswer.FAILED)
    error = task.exception()
    if error is None:
        return task.result()
    if isinstance(error, httpx.HTTPError | httpx.InvalidURL | UnicodeError | Unreadable):
        return Gathered(template, TemplateAnswer.FAILED)
    raise error


def _next(page: dict[str, Any]) -> str | None:
    links = page.get("link", [])
    for link in links if isinstance(links, list) else ():
        if isinstance(link, dict) and link.get("relation") == "next":
            return str(link.get("url"))
    return None


_MOST_MEDICATIONS = 50


class Gatherer:
    """Knows what to ask for, and whom it may ask; without a fetcher, no one."""

    def __init__(
        self,
        asked_for: tuple[Template, ...],
        fetcher: Fetcher | None,
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
        self, fetcher: Fetcher, server: ClientServer, template: Template
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
