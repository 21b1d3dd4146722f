"""The door: in front of every route, before a body is read.

Both spellings are read, ``user/MedicationRequest.read`` (version 1) and
``user/MedicationRequest.rs`` (version 2). A scope that is narrowed by a query
(``…?category=x``) allows less than an operation needs, so it allows none.

Routes of CDS Hooks take a CDS client's token, FHIR operations and the plan sheet an access
token; what tells of no patient (the definitions, the probes, the workbench's page) is open. A
FHIR operation that is added later is closed without being named here.

Where a caller gets an access token is published as the SMART configuration, where the deployer
names the issuer and its token endpoint; this service issues no token itself.
https://hl7.org/fhir/smart-app-launch/STU2.2/conformance.html
"""

import re
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from crossgrain.auth.callers import (
    AccessTokens,
    CdsClients,
    InMemory,
    InRedis,
    Introspected,
    Signed,
    UsedTokens,
)
from crossgrain.auth.tokens import SECONDS, KeySource, NotKnown, Unavailable, Why
from crossgrain.http.boundary import REFUSED
from crossgrain.http.requests import PLAIN_JSON, refuse
from crossgrain.http.routes import add_untold
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.desk import Clock, Ticks
from crossgrain.operations.faults import Fault, RequestRefused, refusal
from crossgrain.writing.forms import to_json

if TYPE_CHECKING:
    from httpx2 import AsyncBaseTransport, AsyncClient

_SCOPE = re.compile(r"(patient|user|system)/(\*|[A-Z][A-Za-z]+)\.(read|write|\*|c?r?u?d?s?)")
_VERSION_1 = {"read": "rs", "write": "cud", "*": "cruds"}


@frozen
class Need:
    """A resource type, and the letter of what may be done with it."""

    resource: str
    letter: str

    @property
    def as_scope(self) -> str:
        """The scope to ask for."""
        return f"user/{self.resource}.{self.letter}"


PROPOSING = Need("MedicationRequest", "c")
"""A series of orders is drawn up: whoever asks must be one who may write orders."""
READING = Need("MedicationRequest", "r")
"""Doses are read and compared; none is proposed."""
_NEEDS = {"$compare-bases": READING, "$screen-switches": READING}


def need_of(path: str) -> Need:
    """What a FHIR operation needs; one that is not in the table needs the most."""
    return _NEEDS.get(path.rpartition("/")[2], PROPOSING)


def allow(scopes: Iterable[str], need: Need) -> bool:
    """Whether any of the scopes covers the need."""
    return any(_covers(scope, need) for scope in scopes)


def _covers(scope: str, need: Need) -> bool:
    found = _SCOPE.fullmatch(scope)
    if found is None:
        return False
    _, resource, actions = found.groups()
    letters = _VERSION_1.get(actions, actions)
    return resource in {"*", need.resource} and need.letter in letters


@frozen
class Doors:
    """The mechanisms that are on, and what they hold open."""

    cds: CdsClients | None
    fhir: AccessTokens | None
    sources: tuple[KeySource, ...]
    clients: tuple["AsyncClient", ...]
    used: UsedTokens

    async def close(self) -> None:
        """Close every connection."""
        for source in self.sources:
            await source.close()
        for client in self.clients:
            await client.aclose()
        await self.used.close()


def doors(
    settings: Settings,
    clock: Clock,
    ticks: Ticks,
    reach: Callable[[], "AsyncBaseTransport | None"] = lambda: None,
) -> Doors:
    """What the settings ask for; `reach` makes the way to other servers, if any is asked."""
    sources: list[KeySource] = []
    clients: list[AsyncClient] = []

    def client() -> "AsyncClient":
        from httpx2 import AsyncClient  # noqa: PLC0415 - only where another server is asked

        if not clients:
            clients.append(
                AsyncClient(
                    follow_redirects=False, timeout=SECONDS, transport=reach(), trust_env=False
                )
            )
        return clients[0]

    def now() -> float:
        return clock().timestamp()

    def source(location: str) -> KeySource:
        sources.append(KeySource(location, settings.jwks_seconds, client(), ticks))
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
        fhir = Introspected(settings, client(), now, ticks)
    return Doors(cds, fhir, tuple(sources), tuple(clients), used)


CDS = "/cds-services"
_OF_DEFINITIONS = {"$lookup", "$validate-code", "$expand", "$data-requirements"}
"""Operations that tell of our own codes and definitions, and hear of no patient."""
_CHALLENGE = {"WWW-Authenticate": "Bearer"}


def is_cds(path: str) -> bool:
    """Whether an address is of CDS Hooks."""
    return path == CDS or path.startswith(f"{CDS}/")


def is_operation(path: str) -> bool:
    """Whether an address computes on a patient's record."""
    if path.rpartition("/")[2] in _OF_DEFINITIONS:
        return False
    return path in {"/sheet", "/sheet/next-step"} or (path.startswith("/fhir/") and "$" in path)


class Guard:
    """ASGI middleware; either mechanism is ``None`` where it is off."""

    def __init__(self, app: ASGIApp, cds: CdsClients | None, fhir: AccessTokens | None) -> None:
        self.app = app
        self._cds = cds
        self._fhir = fhir

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let through whoever may pass."""
        if scope["type"] == "http":
            refused = await self._refusal(Request(scope))
            if refused is not None:
                answer = refuse(refused[0], refused[1])
                await answer(scope, receive, send)
                return
        await self.app(scope, receive, send)

    async def _refusal(self, request: Request) -> tuple[RequestRefused, dict[str, str]] | None:
        path = request.scope["path"]
        try:
            if self._cds and is_cds(path):
                await self._cds.admit(_bearer(request), path)
            elif self._fhir and is_operation(path):
                return _check_scopes(path, await self._fhir.scopes(_bearer(request)))
        except NotKnown as refused:
            request.scope[REFUSED] = str(refused.why)
            return refusal(Fault.UNAUTHENTICATED), _CHALLENGE
        except Unavailable:
            words = "who is calling cannot be told now; try again later"
            return refusal(Fault.NOT_READY, None, words), {"Retry-After": "5"}
        return None


def _check_scopes(
    path: str, scopes: tuple[str, ...]
) -> tuple[RequestRefused, dict[str, str]] | None:
    need = need_of(path)
    if allow(scopes, need):
        return None
    challenge = f'Bearer error="insufficient_scope", scope="{need.as_scope}"'
    refused = refusal(Fault.FORBIDDEN, None, f"the token's scopes do not hold {need.as_scope}")
    return refused, {"WWW-Authenticate": challenge}


def _bearer(request: Request) -> str:
    """The one bearer token in the header; never one in a URL."""
    given = request.headers.getlist("authorization")
    if len(given) != 1:
        raise NotKnown(Why.NO_TOKEN)
    scheme, _, token = given[0].partition(" ")
    if scheme.lower() != "bearer" or token.split() != [token] or not token.isascii():
        raise NotKnown(Why.NO_TOKEN)
    return token


_SMART_PATH = "/fhir/{version}/.well-known/smart-configuration"
_USERS = ("user", "patient", "system")


def smart_configuration(settings: Settings) -> dict[str, Any] | None:
    """The document, or ``None`` where callers are not asked who they are, or the issuer's token
    endpoint is not set.

    What an issuer can do beyond that is its own to say; listed is what this service takes.
    """
    if settings.fhir_auth in {None, "off"}:
        return None
    if not settings.oauth_issuer or not settings.oauth_token_endpoint:
        return None
    body: dict[str, Any] = {
        "issuer": settings.oauth_issuer,
        "token_endpoint": settings.oauth_token_endpoint,
        "grant_types_supported": ["client_credentials"],
        "scopes_supported": list(_scopes()),
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["permission-v1", "permission-v2", "permission-user", "permission-patient"],
    }
    if settings.oauth_authorization_endpoint:
        body["authorization_endpoint"] = settings.oauth_authorization_endpoint
        body["grant_types_supported"].insert(0, "authorization_code")
        body["response_types_supported"] = ["code"]
    return body


def _scopes() -> Iterable[str]:
    for need in (PROPOSING, READING):
        yield from (f"{who}/{need.resource}.{need.letter}" for who in _USERS)


def add_smart_configuration(app: FastAPI, settings: Settings) -> None:
    """Add its route under each version's base; there it is 404 where there is none."""
    document = smart_configuration(settings)

    async def configuration(request: Request) -> Response:
        if document is None:
            words = "this deployment names no authorization server"
            raise refusal(Fault.NOT_FOUND, None, words)
        return Response(to_json(document), media_type=PLAIN_JSON)

    for version in FhirVersion:
        add_untold(app, _SMART_PATH.format(version=version), configuration, "GET", "HEAD")
