"""The OAuth access token of a FHIR caller: a JWT checked here, or any token introspected."""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Protocol

import httpx2 as httpx

from crossgrain.auth.keys import KeySource, TooMuch, Unavailable, ask
from crossgrain.auth.tokens import (
    NotKnown,
    check_times,
    check_times_said,
    read_header,
    verified_claims,
)
from crossgrain.http.settings import Settings
from crossgrain.operations.desk import Ticks

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
        self,
        settings: Settings,
        client: httpx.AsyncClient,
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
            raise NotKnown
        if self._issuer and claims.get("iss", self._issuer) != self._issuer:
            raise NotKnown
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
        request = self._client.build_request(
            "POST",
            self._url,
            data={"token": token, "token_type_hint": "access_token"},
            headers={"accept": "application/json"},
        )
        try:
            status, content = await ask(self._client, request, self._auth)
            claims = json.loads(content) if status == _OK else None
        except (httpx.HTTPError, TooMuch, ValueError, RecursionError):
            raise Unavailable from None
        if not isinstance(claims, dict):
            raise Unavailable
        return claims


@dataclass(frozen=True, slots=True)
class _Kept:
    """What was answered: until when it is believed by our own seconds, when the token ends."""

    until: float
    ends: float
    allowed: tuple[str, ...]


def _for(claims: Mapping[str, Any], audience: str | None) -> tuple[str, ...]:
    """The scopes of a token that is meant for this service."""
    named = claims.get("aud")
    if audience not in (named if isinstance(named, list) else [named]):
        raise NotKnown
    scope = claims.get("scope", "")
    if not isinstance(scope, str):
        raise NotKnown
    return tuple(scope.split())
