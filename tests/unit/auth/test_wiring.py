"""From settings to mechanisms: what is on, what it stands on, and what is closed at the end."""

import asyncio
from typing import Any

import httpx2 as httpx
import pytest
from tests.api import signing as s

from crossgrain.auth.callers import InMemory, InRedis, Introspected, Signed
from crossgrain.auth.guard import Doors, doors
from crossgrain.auth.tokens import SECONDS, NotKnown, Unavailable
from crossgrain.http.settings import Settings

CDS = {
    "cds_auth": "jwt",
    "public_url": s.BASE,
    "cds_issuers": {s.ISSUER: "https://ehr.example/jwks", s.OTHER: "https://other.example/jwks"},
}
SIGNED = {
    "fhir_auth": "jwks",
    "oauth_issuer": s.AS,
    "oauth_audience": s.AUDIENCE,
    "oauth_jwks": "https://as.example/jwks",
}
VOUCHED = {
    "fhir_auth": "introspection",
    "oauth_audience": s.AUDIENCE,
    "introspection_url": "https://as.example/introspect",
    "introspection_client": "crossgrain",
    "introspection_secret": "hush",
}
PUBLISHED = {
    "ehr.example": ("es384",),
    "other.example": ("other",),
    "as.example": ("es384", "rs384"),
}


class Servers:
    """Every server that may be asked; which were."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request.url.host)
        if request.method == "POST":
            return httpx.Response(200, json={"active": True, **s.access_claims()})
        return httpx.Response(200, json=s.key_set(*PUBLISHED[request.url.host]))


class Ticking:
    """Seconds that a test moves."""

    seconds = 50.0

    def __call__(self) -> float:
        return self.seconds


@pytest.fixture
def servers() -> Servers:
    return Servers()


@pytest.fixture
def ticks() -> Ticking:
    return Ticking()


def opened(servers: Servers, ticks: Ticking, **settings: Any) -> Doors:
    transport = httpx.MockTransport(servers)
    return doors(Settings(**settings), lambda: s.at(s.NOW), ticks, lambda: transport)


def test_what_is_not_asked_for_is_off(servers: Servers, ticks: Ticking) -> None:
    off = opened(servers, ticks, cds_auth="off", fhir_auth="off")
    assert (off.cds, off.fhir, off.sources) == (None, None, ())
    assert isinstance(off.used, InMemory)


def test_each_cds_client_is_known_by_keys_of_its_own(servers: Servers, ticks: Ticking) -> None:
    on = opened(servers, ticks, **CDS)
    assert on.fhir is None
    assert [source.location for source in on.sources] == list(CDS["cds_issuers"].values())  # type: ignore[attr-defined]

    async def run() -> None:
        assert on.cds is not None
        await on.cds.admit(s.sign(s.claims()), s.SERVICE)
        await on.cds.admit(s.sign(s.claims(iss=s.OTHER), "other"), s.SERVICE)
        with pytest.raises(NotKnown):
            await on.cds.admit(s.sign(s.claims()), s.SERVICE)  # it was used

    asyncio.run(run())
    assert servers.asked == ["ehr.example", "other.example"]


def test_signed_access_tokens_are_checked_by_the_issuers_keys(
    servers: Servers, ticks: Ticking
) -> None:
    on = opened(servers, ticks, **SIGNED)
    assert on.cds is None
    assert isinstance(on.fhir, Signed)
    assert [source.location for source in on.sources] == [SIGNED["oauth_jwks"]]
    scopes = asyncio.run(on.fhir.scopes(s.sign(s.access_claims())))
    assert scopes == ("user/MedicationRequest.crs",)


def test_access_tokens_are_asked_about_where_that_is_set(servers: Servers, ticks: Ticking) -> None:
    on = opened(servers, ticks, **VOUCHED)
    assert (on.cds, on.sources) == (None, ())
    assert isinstance(on.fhir, Introspected)
    assert asyncio.run(on.fhir.scopes("opaque")) == ("user/MedicationRequest.crs",)
    ticks.seconds += 31
    asyncio.run(on.fhir.scopes("opaque"))
    assert servers.asked == ["as.example"] * 2  # an answer is kept by the ticks


def test_both_mechanisms_may_be_on(servers: Servers, ticks: Ticking) -> None:
    on = opened(servers, ticks, **CDS, **SIGNED)
    assert on.cds is not None
    assert isinstance(on.fhir, Signed)
    assert len(on.sources) == 3


def test_keys_are_kept_for_as_long_as_is_set(servers: Servers, ticks: Ticking) -> None:
    on = opened(servers, ticks, **SIGNED, jwks_seconds=40.0)
    assert on.fhir is not None
    for later in (0.0, 39.0, 2.0):
        ticks.seconds += later
        asyncio.run(on.fhir.scopes(s.sign(s.access_claims())))
    assert len(servers.asked) == 2


def test_replicas_share_what_was_used_where_a_store_is_set(
    servers: Servers, ticks: Ticking, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forgotten, every replica would take the same token once."""
    named: list[str] = []
    monkeypatch.setattr("redis.asyncio.Redis.from_url", lambda url, **_: named.append(url))
    on = opened(servers, ticks, **CDS, jti_store="redis://store.example/1")
    assert isinstance(on.used, InRedis)
    assert named == ["redis://store.example/1"]
    assert on.used._now() == s.NOW


def test_a_used_token_is_forgotten_by_the_clock_and_by_the_ticks(
    servers: Servers, ticks: Ticking
) -> None:
    used = opened(servers, ticks, **CDS).used

    async def run() -> list[bool]:
        seen = [await used.first_use("a", s.NOW + 60.0), await used.first_use("a", s.NOW + 60.0)]
        ticks.seconds += 1000
        return [*seen, await used.first_use("a", s.NOW + 60.0)]

    assert asyncio.run(run()) == [True, False, False]


def test_the_client_that_asks_follows_no_redirect_and_takes_nothing_from_the_environment(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A proxy or a netrc of the machine would see, or add, credentials."""
    made: list[dict[str, Any]] = []

    def noting(**options: Any) -> httpx.AsyncClient:
        made.append(options)
        return real(**options)

    real = httpx.AsyncClient
    monkeypatch.setattr(httpx, "AsyncClient", noting)
    doors(Settings(**SIGNED), lambda: s.at(s.NOW), lambda: 0.0)
    (options,) = made
    assert options["follow_redirects"] is False
    assert options["trust_env"] is False
    assert options["timeout"] == SECONDS


def test_closing_closes_everything(servers: Servers, ticks: Ticking) -> None:
    closed: list[str] = []

    class Closing:
        def __init__(self, name: str) -> None:
            self.name = name

        async def close(self) -> None:
            closed.append(self.name)

        aclose = close

    parts: Any = [Closing(name) for name in ("one", "two", "client", "used")]
    asyncio.run(Doors(None, None, (parts[0], parts[1]), (parts[2],), parts[3]).close())
    assert closed == ["one", "two", "client", "used"]


def test_a_mechanism_whose_keys_cannot_be_read_lets_nobody_in(ticks: Ticking) -> None:
    def broken(_: httpx.Request) -> httpx.Response:
        return httpx.Response(500)

    on = doors(Settings(**SIGNED), lambda: s.at(s.NOW), ticks, lambda: httpx.MockTransport(broken))
    assert on.fhir is not None
    with pytest.raises(Unavailable):
        asyncio.run(on.fhir.scopes(s.sign(s.access_claims())))
