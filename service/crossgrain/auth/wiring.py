"""Both mechanisms from the settings, and what must be closed when the service stops."""

from dataclasses import dataclass

import httpx2 as httpx

from crossgrain.auth.access_token import AccessTokens, Introspected, Signed
from crossgrain.auth.asking import SECONDS
from crossgrain.auth.cds_client import CdsClients
from crossgrain.auth.keys import KeySource
from crossgrain.auth.replay import InMemory, InRedis, UsedTokens
from crossgrain.http.settings import Settings
from crossgrain.operations.clock import Clock, Ticks


@dataclass(frozen=True, slots=True)
class Doors:
    """The mechanisms that are on, and what they hold open."""

    cds: CdsClients | None
    fhir: AccessTokens | None
    sources: tuple[KeySource, ...]
    client: httpx.AsyncClient
    used: UsedTokens

    async def close(self) -> None:
        """Close every connection."""
        for source in self.sources:
            await source.close()
        await self.client.aclose()
        await self.used.close()


def doors(
    settings: Settings,
    clock: Clock,
    ticks: Ticks,
    transport: httpx.AsyncBaseTransport | None = None,
) -> Doors:
    """What the settings ask for."""
    client = httpx.AsyncClient(
        follow_redirects=False, timeout=SECONDS, transport=transport, trust_env=False
    )
    sources: list[KeySource] = []

    def now() -> float:
        return clock().timestamp()

    def source(location: str) -> KeySource:
        sources.append(KeySource(location, settings.jwks_seconds, client, ticks))
        return sources[-1]

    store = settings.jti_store
    used: UsedTokens = InRedis(store.get_secret_value(), now) if store else InMemory(now, ticks)
    cds = None
    if settings.cds_auth == "jwt":
        known = {issuer: source(place) for issuer, place in settings.cds_issuers.items()}
        cds = CdsClients(settings, known, used, now)
    fhir: AccessTokens | None = None
    if settings.fhir_auth == "jwks":
        fhir = Signed(settings, source(settings.oauth_jwks or ""), now)
    elif settings.fhir_auth == "introspection":
        fhir = Introspected(settings, client, now, ticks)
    return Doors(cds, fhir, tuple(sources), client, used)
