"""The OAuth access token of a FHIR caller: a JWT checked here, or any token introspected."""

from collections.abc import Callable, Mapping
from hashlib import sha256
from typing import Any, Protocol

import httpx2 as httpx

from crossgrain.api.auth.keys import KeySource, Unavailable
from crossgrain.api.auth.tokens import NotKnown, check_times, moment, read_header, verified_claims
from crossgrain.api.settings import Settings

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
        if header.type.upper() not in _TYPES or header.key_set_url is not None:
            raise NotKnown
        claims = verified_claims(token, header, await self._source.key(header.key_id))
        check_times(claims, self._now(), self._leeway)
        if claims.get("iss") != self._issuer:
            raise NotKnown
        return _for(claims, self._audience)


class Introspected:
    """Tokens of any form, asked about at the authorization server (RFC 7662)."""

    def __init__(
        self, settings: Settings, client: httpx.AsyncClient, now: Callable[[], float]
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
        self._kept: dict[bytes, tuple[float, tuple[str, ...]]] = {}

    async def scopes(self, token: str) -> tuple[str, ...]:
        """See `AccessTokens`. A good answer is kept for half a minute, never past the token."""
        name = sha256(token.encode()).digest()
        until, known = self._kept.get(name, (0.0, ()))
        if self._now() < until:
            return known
        claims = await self._ask(token)
        if claims.get("active") is not True:
            raise NotKnown
        if self._issuer and claims.get("iss", self._issuer) != self._issuer:
            raise NotKnown
        allowed = _for(claims, self._audience)
        self._keep(name, claims, allowed)
        return allowed

    def _keep(self, name: bytes, claims: Mapping[str, Any], allowed: tuple[str, ...]) -> None:
        ends = moment(claims, "exp")
        if ends is not None:
            check_times(claims, self._now(), self._leeway)
        if len(self._kept) >= _MOST_KEPT:
            self._kept.clear()
        until = self._now() + _KEPT_SECONDS
        self._kept[name] = (until if ends is None else min(until, ends), allowed)

    async def _ask(self, token: str) -> Mapping[str, Any]:
        try:
            answer = await self._client.post(
                self._url,
                data={"token": token, "token_type_hint": "access_token"},
                auth=self._auth,
                headers={"accept": "application/json"},
            )
            claims = answer.json() if answer.status_code == _OK else None
        except (httpx.HTTPError, ValueError):
            raise Unavailable from None
        if not isinstance(claims, dict):
            raise Unavailable
        return claims


def _for(claims: Mapping[str, Any], audience: str | None) -> tuple[str, ...]:
    """The scopes of a token that is meant for this service."""
    named = claims.get("aud")
    if audience not in (named if isinstance(named, list) else [named]):
        raise NotKnown
    scope = claims.get("scope", "")
    if not isinstance(scope, str):
        raise NotKnown
    return tuple(scope.split())
