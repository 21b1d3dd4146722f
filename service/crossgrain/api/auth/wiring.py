"""Both mechanisms from the settings, and what must be closed when the service stops."""

from dataclasses import dataclass

import httpx2 as httpx

from crossgrain.api.auth.access_token import AccessTokens, Introspected, Signed
from crossgrain.api.auth.cds_client import CdsClients
from crossgrain.api.auth.keys import KeySource
from crossgrain.api.auth.replay import InMemory, InRedis, UsedTokens
from crossgrain.api.clock import Clock
from crossgrain.api.settings import Settings

_SECONDS = 3.0


@dataclass(frozen=True, slots=True)
class Doors:
    """The mechanisms that are on, and what they hold open."""

    cds: CdsClients | None
    fhir: AccessTokens | None
    client: httpx.AsyncClient
    used: UsedTokens

    async def close(self) -> None:
        """Close every connection."""
        await self.client.aclose()
        await self.used.close()


def doors(
    settings: Settings, clock: Clock, transport: httpx.AsyncBaseTransport | None = None
) -> Doors:
    """What the settings ask for."""
    client = httpx.AsyncClient(
        follow_redirects=False, timeout=_SECONDS, transport=transport, trust_env=False
    )

    def now() -> float:
        return clock().timestamp()

    def source(location: str) -> KeySource:
        return KeySource(location, settings.jwks_seconds, client, now)

    store = settings.jti_store
    used: UsedTokens = InRedis(store.get_secret_value(), now) if store else InMemory(now)
    cds = None
    if settings.cds_auth == "jwt":
        sources = {issuer: source(place) for issuer, place in settings.cds_issuers.items()}
        cds = CdsClients(settings, sources, used, now)
    fhir: AccessTokens | None = None
    if settings.fhir_auth == "jwks":
        fhir = Signed(settings, source(settings.oauth_jwks or ""), now)
    elif settings.fhir_auth == "introspection":
        fhir = Introspected(settings, client, now)
    return Doors(cds, fhir, client, used)
