"""Where a caller gets a token, as SMART App Launch has it told.

Required members: https://hl7.org/fhir/smart-app-launch/STU2.2/conformance.html#metadata
"""

import json
import re
from typing import Any

import pytest
from fastapi.testclient import TestClient
from pydantic import ValidationError

from crossgrain.app.factory import create_app
from crossgrain.auth.guard import PROPOSING, READING, allow
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from . import signing as s
from .calls import FIXTURES

AT = "/fhir/{}/.well-known/smart-configuration"
TOKEN, AUTHORIZE = "https://as.example/token", "https://as.example/authorize"
ASKED: dict[str, Any] = {
    "fhir_auth": "jwks", "oauth_issuer": s.AS, "oauth_audience": s.AUDIENCE,
    "oauth_jwks": "https://as.example/jwks",
}  # fmt: skip
DOCUMENT = json.loads((FIXTURES.parent / "openapi" / "openapi.json").read_bytes())


def configuration(catalogue: Catalogue, version: str = "r4", **settings: Any) -> Any:
    with TestClient(create_app(Settings(**settings), catalogue)) as client:
        answer = client.get(AT.format(version))
    body = answer.json()
    return body if answer.status_code == 200 else (answer.status_code, body["issue"][0]["code"])


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_it_names_the_deployers_issuer_and_its_token_endpoint(
    catalogue: Catalogue, version: str
) -> None:
    found = configuration(catalogue, version, **ASKED, oauth_token_endpoint=TOKEN)
    assert (found["issuer"], found["token_endpoint"]) == (s.AS, TOKEN)
    for required in ("grant_types_supported", "code_challenge_methods_supported", "capabilities"):
        assert found[required]
    assert "plain" not in found["code_challenge_methods_supported"]
    assert "authorization_code" not in found["grant_types_supported"]


def test_apps_are_sent_where_users_sign_in(catalogue: Catalogue) -> None:
    endpoints = {"oauth_token_endpoint": TOKEN, "oauth_authorization_endpoint": AUTHORIZE}
    found = configuration(catalogue, **ASKED, **endpoints)
    assert found["authorization_endpoint"] == AUTHORIZE
    assert "authorization_code" in found["grant_types_supported"]


def test_the_scopes_that_it_names_are_those_that_let_in(catalogue: Catalogue) -> None:
    scopes = configuration(catalogue, **ASKED, oauth_token_endpoint=TOKEN)["scopes_supported"]
    assert allow(scopes, PROPOSING)
    assert allow(scopes, READING)
    assert all(allow([scope], PROPOSING) or allow([scope], READING) for scope in scopes)


@pytest.mark.parametrize(
    "settings",
    [{}, ASKED, {"oauth_issuer": s.AS, "oauth_token_endpoint": TOKEN}],
    ids=["nobody is asked", "no token endpoint", "callers are not asked"],
)
def test_without_both_or_where_nobody_is_asked_there_is_none(
    catalogue: Catalogue, settings: dict[str, Any]
) -> None:
    assert configuration(catalogue, **settings) == (404, "not-found")


@pytest.mark.parametrize(
    ("settings", "named"),
    [
        ({"oauth_token_endpoint": TOKEN}, "OAUTH_ISSUER"),
        ({"oauth_authorization_endpoint": AUTHORIZE}, "OAUTH_TOKEN_ENDPOINT"),
        ({"oauth_token_endpoint": "as.example/token"}, "absolute http or https address"),
        # Two checks at once: neither may hide what the other lacks.
        ({**ASKED, "cds_auth": "jwt"}, "PUBLIC_URL, CROSSGRAIN_CDS_ISSUERS"),
        ({"cds_auth": "jwt", "fhir_auth": "jwks"}, "CDS_ISSUERS, CROSSGRAIN_OAUTH_ISSUER"),
    ],
)
def test_half_a_setting_is_refused_at_start(settings: dict[str, Any], named: str) -> None:
    with pytest.raises(ValidationError, match=named):
        Settings(**settings)


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_the_definition_of_each_operation_names_the_scope_that_it_asks_for(
    catalogue: Catalogue, version: str
) -> None:
    with TestClient(create_app(Settings(**ASKED), catalogue)) as client:
        said = client.get(f"/fhir/{version}/metadata").json()["rest"][0]["security"]
        found = client.get(f"/fhir/{version}/OperationDefinition").json()["entry"]
    assert "its definition names the scope" in said["description"]
    named = {
        each["resource"]["code"]: re.findall(r"user/\S+\.[cruds]", each["resource"]["comment"])
        for each in found
    }
    proposing, reading = ["user/MedicationRequest.c"], ["user/MedicationRequest.r"]
    assert named == {
        "propose-switch": proposing, "next-step": proposing, "apply": proposing,
        "compare-bases": reading, "screen-switches": reading,
    }  # fmt: skip


def test_the_document_of_the_routes_names_the_scheme_of_each_that_can_be_closed() -> None:
    schemes = set(DOCUMENT["components"]["securitySchemes"])
    closed = {
        path: operation.get("security")
        for path, item in DOCUMENT["paths"].items()
        for operation in item.values()
    }
    assert closed["/fhir/r4/$propose-switch"] == [{"access-token": []}, {}]
    assert closed["/cds-services/{id}"] == [{"cds-client": []}, {}]
    assert closed["/fhir/r4/metadata"] is closed["/fhir/r4/CodeSystem/$lookup"] is None
    used = {name for each in closed.values() for one in each or [] for name in one}
    assert used == schemes
