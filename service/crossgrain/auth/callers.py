"""Who calls, by token: an OAuth access token for FHIR, a CDS client's signed one for a hook.

A CDS client's token is taken once. In memory that holds for one process; replicas share a store,
so that a token used at one is refused at the other.
"""

import heapq
import json
import math
from collections.abc import Callable, Mapping
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Protocol

from crossgrain.auth.tokens import (
    KeySource,
    NoAnswer,
    NotKnown,
    TooMuch,
    Unavailable,
    Why,
    ask,
    check_times,
    check_times_said,
    may_be_named,
    moment,
    read_header,
    unverified_issuer,
    verified_claims,
)
from crossgrain.http.settings import Settings
from crossgrain.names.values import frozen
from crossgrain.operations.desk import Ticks

if TYPE_CHECKING:
    from httpx2 import AsyncClient

_OK = 200
_KEPT_SECONDS = 30.0
_MOST_KEPT = 10_000
_TYPES = {"", "JWT", "AT+JWT", "APPLICATION/AT+JWT"}


class AccessTokens(Protocol):
    """Tells what an access token allows."""

    async def scopes(self, token: str) -> tuple[str, ...]:
        """Its scopes.

        Raises
        ------
        NotKnown
            where it is not a valid token for this service.
        Unavailable
            where that cannot be told.
        """
        ...


class Signed:
    """JWT access tokens (RFC 9068) of one issuer."""

    def __init__(self, settings: Settings, source: KeySource, now: Callable[[], float]) -> None:
        self._issuer = settings.oauth_issuer
        self._audience = settings.oauth_audience
        self._leeway = settings.clock_leeway_seconds
        self._source = source
        self._now = now

    async def scopes(self, token: str) -> tuple[str, ...]:
        """See `AccessTokens`."""
        header = read_header(token)
        if header.type.upper() not in _TYPES:
            raise NotKnown(Why.TYPE)
        if not may_be_named(header.key_set_url, self._source.location):
            raise NotKnown(Why.KEY_SET)
        claims = verified_claims(token, header, await self._source.key(header.key_id))
        check_times(claims, self._now(), self._leeway)
        if claims.get("iss") != self._issuer:
            raise NotKnown(Why.ISSUER)
        return _for(claims, self._audience)


class Introspected:
    """Tokens of any form, asked about at the authorization server (RFC 7662)."""

    def __init__(
        self,
        settings: Settings,
        client: "AsyncClient",
        now: Callable[[], float],
        ticks: Ticks,
    ) -> None:
        secret = settings.introspection_secret
        self._url = settings.introspection_url or ""
        self._auth = (
            settings.introspection_client or "",
            secret.get_secret_value() if secret else "",
        )
        self._audience = settings.oauth_audience
        self._issuer = settings.oauth_issuer
        self._leeway = settings.clock_leeway_seconds
        self._client = client
        self._now = now
        self._ticks = ticks
        self._kept: dict[bytes, _Kept] = {}

    async def scopes(self, token: str) -> tuple[str, ...]:
        """See `AccessTokens`. A good answer is kept for half a minute, never past the token."""
        name = sha256(token.encode()).digest()
        kept = self._kept.get(name)
        if kept and self._ticks() < kept.until and self._now() < kept.ends:
            return kept.allowed
        claims = await self._ask(token)
        if claims.get("active") is not True:
            raise NotKnown(Why.INACTIVE)
        if self._issuer and claims.get("iss", self._issuer) != self._issuer:
            raise NotKnown(Why.ISSUER)
        allowed = _for(claims, self._audience)
        self._keep(name, claims, allowed)
        return allowed

    def _keep(self, name: bytes, claims: Mapping[str, Any], allowed: tuple[str, ...]) -> None:
        ends = check_times_said(claims, self._now(), self._leeway)
        if len(self._kept) >= _MOST_KEPT:
            self._kept.clear()
        until = self._ticks() + _KEPT_SECONDS
        self._kept[name] = _Kept(until, math.inf if ends is None else ends, allowed)

    async def _ask(self, token: str) -> Mapping[str, Any]:
        try:
            status, content = await ask(
                self._client,
                "POST",
                self._url,
                self._auth,
                data={"token": token, "token_type_hint": "access_token"},
                headers={"accept": "application/json"},
            )
            claims = json.loads(content) if status == _OK else None
        except (NoAnswer, TooMuch, ValueError, RecursionError):
            raise Unavailable from None
        if not isinstance(claims, dict):
            raise Unavailable
        return claims


@frozen
class _Kept:
    """What was answered: until when it is believed by our own seconds, when the token ends."""

    until: float
    ends: float
    allowed: tuple[str, ...]


def _for(claims: Mapping[str, Any], audience: str | None) -> tuple[str, ...]:
    """The scopes of a token that is meant for this service."""
    named = claims.get("aud")
    if audience not in (named if isinstance(named, list) else [named]):
        raise NotKnown(Why.AUDIENCE)
    scope = claims.get("scope", "")
    if not isinstance(scope, str):
        raise NotKnown(Why.SCOPE)
    return tuple(scope.split())


MOST_KEPT = 200_000


class UsedTokens(Protocol):
    """Remembers names until they are of no use any more."""

    async def first_use(self, name: str, until: float) -> bool:
        """True the first time that a name is given, false ever after until it is over.

        Raises
        ------
        Unavailable
            where that cannot be told.
        """
        ...

    async def close(self) -> None:
        """Let go of what is held."""
        ...


class InMemory:
    """For one process.

    A name is forgotten when it is over by the clock and its time has also passed by `ticks`: a
    clock that is set forwards and back again must not make a used token good once more.
    """

    def __init__(self, now: Callable[[], float], ticks: Ticks, most: int = MOST_KEPT) -> None:
        self._now = now
        self._ticks = ticks
        self._most = most
        self._names: set[str] = set()
        self._ends: list[tuple[float, float, str]] = []

    async def first_use(self, name: str, until: float) -> bool:
        """See `UsedTokens`. Full of tokens that are still valid, it takes no more."""
        now, ticks = self._now(), self._ticks()
        while self._ends and self._ends[0][0] <= now and self._ends[0][1] <= ticks:
            self._names.discard(heapq.heappop(self._ends)[2])
        if name in self._names:
            return False
        if len(self._names) >= self._most:
            raise Unavailable
        self._names.add(name)
        heapq.heappush(self._ends, (until, ticks + until - now, name))
        return True

    async def close(self) -> None:
        """Nothing is held outside."""


class InRedis:
    """For all replicas; needs the extra ``redis``."""

    def __init__(self, url: str, now: Callable[[], float]) -> None:
        from redis.asyncio import Redis  # noqa: PLC0415 - an extra
        from redis.exceptions import RedisError  # noqa: PLC0415

        self._store = Redis.from_url(url, socket_timeout=1.0, socket_connect_timeout=1.0)
        self._failures: tuple[type[Exception], ...] = (RedisError, OSError)
        self._now = now

    async def first_use(self, name: str, until: float) -> bool:
        """See `UsedTokens`. Without the store no token is taken: failing open would be a hole."""
        spelt = name.encode("utf-8", "surrogatepass")  # JSON can name half a character
        key = f"crossgrain:jti:{sha256(spelt).hexdigest()}"
        seconds = max(1, int(until - self._now()) + 1)
        try:
            return bool(await self._store.set(key, b"1", nx=True, ex=seconds))
        except self._failures:
            raise Unavailable from None

    async def close(self) -> None:
        """Close the connections."""
        await self._store.aclose()


_LONGEST_NAME = 256


class CdsClients:
    """Knows the trusted issuers and their keys.

    Parameters
    ----------
    settings : the deployment's: leeway, longest life, public address
    sources : the keys of every trusted issuer
    used : tokens seen before
    now : the time in seconds
    """

    def __init__(
        self,
        settings: Settings,
        sources: Mapping[str, KeySource],
        used: UsedTokens,
        now: Callable[[], float],
    ) -> None:
        self._sources = sources
        self._used = used
        self._now = now
        self._leeway = settings.clock_leeway_seconds
        self._longest = settings.cds_token_seconds
        self._base = settings.public_url or ""

    async def admit(self, token: str, path: str) -> None:
        """Take the token of one call to one address, once.

        Raises
        ------
        NotKnown
            for any other token.
        Unavailable
            where keys or the store of used tokens are out of reach.
        """
        header = read_header(token)
        if header.type.upper() != "JWT":
            raise NotKnown(Why.TYPE)
        issuer = unverified_issuer(token)
        source = self._sources.get(issuer)
        if source is None:
            raise NotKnown(Why.ISSUER)
        if not may_be_named(header.key_set_url, source.location):
            raise NotKnown(Why.KEY_SET)
        claims = verified_claims(token, header, await source.key(header.key_id))
        ends = self._check_claims(claims, f"{self._base}{path}")
        name = f"{issuer} {claims['jti']}"
        if not await self._used.first_use(name, ends + self._leeway):
            raise NotKnown(Why.USED)

    def _check_claims(self, claims: Mapping[str, Any], address: str) -> float:
        ends = check_times(claims, self._now(), self._leeway)
        issued, own_name = moment(claims, "iat"), claims.get("jti")
        if issued is None or not 0 < ends - issued <= self._longest:
            raise NotKnown(Why.LIFETIME)
        if claims.get("aud") not in (address, [address]):
            raise NotKnown(Why.AUDIENCE)
        if not isinstance(own_name, str) or not 0 < len(own_name) <= _LONGEST_NAME:
            raise NotKnown(Why.NAME)
        return ends
