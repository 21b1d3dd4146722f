"""The door: in front of every route, before a body is read.

Routes of CDS Hooks take a CDS client's token, FHIR operations and the plan sheet an access
token; what tells of no patient (the definitions, the probes, the workbench's page) is open. A
FHIR operation that is added later is closed without being named here.
"""

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from crossgrain.auth.access_token import AccessTokens
from crossgrain.auth.cds_client import CdsClients
from crossgrain.auth.keys import Unavailable
from crossgrain.auth.scopes import allow, need_of
from crossgrain.auth.tokens import NotKnown
from crossgrain.http.requests import refuse
from crossgrain.operations.faults import Fault, RequestRefused, refusal

CDS = "/cds-services"
_CHALLENGE = {"WWW-Authenticate": "Bearer"}


def is_cds(path: str) -> bool:
    """Whether an address is of CDS Hooks."""
    return path == CDS or path.startswith(f"{CDS}/")


def is_operation(path: str) -> bool:
    """Whether an address computes on a patient's record."""
    return path == "/sheet" or (path.startswith("/fhir/") and "$" in path)


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
        except NotKnown:
            return refusal(Fault.UNAUTHENTICATED, None, "the caller is not known"), _CHALLENGE
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
    scheme, _, token = given[0].partition(" ") if len(given) == 1 else ("", "", "")
    if scheme.lower() != "bearer" or not token or token.strip() != token or not token.isascii():
        raise NotKnown
    return token
