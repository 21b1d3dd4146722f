"""The token that a CDS client signs for one call of a CDS service."""

from collections.abc import Callable, Mapping
from typing import Any

from crossgrain.auth.keys import KeySource
from crossgrain.auth.replay import UsedTokens
from crossgrain.auth.tokens import (
    NotKnown,
    check_times,
    moment,
    read_header,
    unverified_issuer,
    verified_claims,
)
from crossgrain.http.settings import Settings

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
