"""What is fetched from a client's own server, where the deployer lists that server.

No other is ever called, a redirect is never followed, a next page only on the same server, and
everything together within one time limit.
"""

import asyncio
from collections.abc import Iterable
from typing import Any
from urllib.parse import quote

import httpx2 as httpx

from crossgrain.cds.hook import ClientServer
from crossgrain.cds.services import (
    Gathered,
    PlacedResource,
    Template,
    TemplateAnswer,
    from_value,
    is_all,
)
from crossgrain.http.requests import Turns
from crossgrain.http.settings import Settings
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse

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
