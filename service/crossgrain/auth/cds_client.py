"""The token that a CDS client signs for one call of a CDS service, taken once.

In memory that holds for one process. Replicas share a store, so that a token used at one is
refused at the other.
"""

import heapq
from collections.abc import Callable, Mapping
from hashlib import sha256
from typing import Any, Protocol

from crossgrain.auth.keys import KeySource, Unavailable
from crossgrain.auth.tokens import (
    NotKnown,
    check_times,
    moment,
    read_header,
    unverified_issuer,
    verified_claims,
)
from crossgrain.http.settings import Settings
from crossgrain.operations.desk import Ticks

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
            raise NotKnown
        issuer = unverified_issuer(token)
        source = self._sources.get(issuer)
        if source is None or header.key_set_url not in {None, source.location}:
            raise NotKnown
        claims = verified_claims(token, header, await source.key(header.key_id))
        ends = self._check_claims(claims, f"{self._base}{path}")
        name = f"{issuer} {claims['jti']}"
        if not await self._used.first_use(name, ends + self._leeway):
            raise NotKnown

    def _check_claims(self, claims: Mapping[str, Any], address: str) -> float:
        ends = check_times(claims, self._now(), self._leeway)
        issued, own_name = moment(claims, "iat"), claims.get("jti")
        if issued is None or not 0 < ends - issued <= self._longest:
            raise NotKnown
        if claims.get("aud") not in (address, [address]):
            raise NotKnown
        if not isinstance(own_name, str) or not 0 < len(own_name) <= _LONGEST_NAME:
            raise NotKnown
        return ends
