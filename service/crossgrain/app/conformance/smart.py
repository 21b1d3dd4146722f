"""Where a caller gets a token: the SMART configuration, and the schemes of the OpenAPI document.

It is published only where the deployer names the issuer and its token endpoint; this service
issues no token itself.

https://hl7.org/fhir/smart-app-launch/STU2.2/conformance.html
"""

from collections.abc import Iterable

from fastapi import FastAPI
from starlette.responses import Response

from crossgrain.app.conformance.definitions import Resource
from crossgrain.auth.guard import PROPOSING, READING
from crossgrain.http.requests import PLAIN_JSON
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.faults import Fault, refusal
from crossgrain.writing.forms import to_json

PATH = "/fhir/{version}/.well-known/smart-configuration"
_USERS = ("user", "patient", "system")


def smart_configuration(settings: Settings) -> Resource | None:
    """The document, or ``None`` where callers are not asked who they are, or the issuer's token
    endpoint is not set.

    What an issuer can do beyond that is its own to say; listed is what this service takes.
    """
    if settings.fhir_auth in {None, "off"}:
        return None
    if not settings.oauth_issuer or not settings.oauth_token_endpoint:
        return None
    body: Resource = {
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

    async def configuration() -> Response:
        if document is None:
            words = "this deployment names no authorization server"
            raise refusal(Fault.NOT_FOUND, None, words)
        return Response(to_json(document), media_type=PLAIN_JSON)

    for version in FhirVersion:
        app.add_api_route(
            PATH.format(version=version),
            configuration,
            methods=["GET", "HEAD"],
            include_in_schema=False,
        )
