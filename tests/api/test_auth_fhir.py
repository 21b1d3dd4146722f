"""An access token at the FHIR operations: signature or introspection, audience, scopes."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from joserfc.jwk import JWKRegistry

from crossgrain.app.factory import create_app
from crossgrain.auth.guard import PROPOSING, READING, allow, need_of
from crossgrain.auth.tokens import fits
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from . import signing as s
from .calls import COMPARE, PROPOSE, QUERY, RECORD

JWKS = "https://as.example/jwks"
INTROSPECT = "https://as.example/introspect"
OPERATIONS = [
    PROPOSE,
    COMPARE,
    PROPOSE.replace("r4", "r5"),
    "/fhir/r4/PlanDefinition/regimen-switch/$apply",
    "/fhir/r4/$no-such-operation",
    "/sheet",
    "/sheet/next-step",
]
Ask = Callable[..., int]


class Server(httpx.AsyncBaseTransport):
    """The authorization server."""

    def __init__(self) -> None:
        self.asked: list[httpx.Request] = []
        self.answer: Callable[[], httpx.Response] = lambda: httpx.Response(
            200, json=s.key_set("es384", "rs384", "ed", "enc", "p256")
        )

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        await request.aread()
        self.asked.append(request)
        return self.answer()


@pytest.fixture
def server() -> Server:
    return Server()


def served(settings: Settings, catalogue: Catalogue, server: Server) -> Iterator[TestClient]:
    app = create_app(settings, catalogue, clock=lambda: s.at(s.NOW), transport=server)
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def service(catalogue: Catalogue, server: Server) -> Iterator[TestClient]:
    settings = Settings(
        fhir_auth="jwks", oauth_issuer=s.AS, oauth_audience=s.AUDIENCE, oauth_jwks=JWKS
    )
    yield from served(settings, catalogue, server)


def introspection() -> Settings:
    return Settings(
        fhir_auth="introspection",
        oauth_audience=s.AUDIENCE,
        introspection_url=INTROSPECT,
        introspection_client="crossgrain",
        introspection_secret="hush",
    )


@pytest.fixture
def introspecting(catalogue: Catalogue, server: Server) -> Iterator[TestClient]:
    yield from served(introspection(), catalogue, server)


def send(client: TestClient, token: str | None, path: str = PROPOSE) -> httpx.Response:
    headers = {"content-type": "application/fhir+json"}
    if token is not None:
        headers["authorization"] = f"Bearer {token}"
    return client.post(f"{path}{QUERY}", content=RECORD, headers=headers)


def test_a_token_is_taken_as_often_as_it_is_sent(service: TestClient, server: Server) -> None:
    token = s.sign(s.access_claims())
    assert [send(service, token).status_code for _ in range(3)] == [200, 200, 200]
    assert len(server.asked) == 1


@pytest.mark.parametrize("kind", [None, "JWT", "at+jwt", "application/at+jwt"])
def test_either_type_of_a_signed_token_is_taken(service: TestClient, kind: str | None) -> None:
    assert send(service, s.sign(s.access_claims(), typ=kind)).status_code == 200


@pytest.mark.parametrize("path", OPERATIONS)
def test_without_a_token_no_operation_answers(service: TestClient, path: str) -> None:
    answer = send(service, None, path)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"
    assert answer.json()["issue"][0]["diagnostics"] == "the caller is not known"


@pytest.mark.parametrize(
    "path",
    [
        "/fhir/r4/%24propose-switch",
        "/fhir/r4/%24propose%2Dswitch",
        "/fhir/r4/$propose-switch/",  # a router that mends addresses would serve it
        "/fhir/r4/$propose-switch/any",
        "/fhir/r4/$propose-switch/_history/1",
        "/fhir/r4/x$propose-switch",
    ],
)
def test_another_spelling_of_the_address_is_no_way_in(service: TestClient, path: str) -> None:
    assert send(service, None, path).status_code == 401


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/livez",
        "/readyz",
        "/fhir/r4/metadata",
        "/fhir/r4/CodeSystem/finding",
        "/fhir/r4/ValueSet?_id=finding",
        "/fhir/r4/ValueSet/finding/$expand",
    ],
)
def test_what_tells_of_no_patient_is_open(service: TestClient, path: str) -> None:
    assert service.get(path).status_code == 200


ATTACKS = {
    "alg none": lambda: s.unsigned(s.access_claims()),
    "the public key as a shared secret": lambda: s.signed_with_the_public_key(s.access_claims()),
    "a stranger's key": lambda: s.sign(s.access_claims(), "stranger"),
    "scopes added after signing": lambda: s.tampered(s.sign(s.access_claims()), scope="user/*.*"),
    "another issuer": lambda: s.sign(s.access_claims(iss=s.ISSUER)),
    "another audience": lambda: s.sign(s.access_claims(aud="https://else.example")),
    "no audience": lambda: s.sign(s.access_claims(aud=None)),
    "over": lambda: s.sign(s.access_claims(exp=s.NOW - 31)),
    "no end": lambda: s.sign(s.access_claims(exp=None)),
    "not valid yet": lambda: s.sign(s.access_claims(nbf=s.NOW + 60)),
    "a key set of the attacker's, and its key": lambda: s.sign(
        s.access_claims(), "stranger", jku="https://evil.example"
    ),
    "a key inside the token": lambda: s.sign(
        s.access_claims(), "stranger", jwk=s.KEYS["stranger"].as_dict(private=False)
    ),
    "scopes that are a list": lambda: s.sign(s.access_claims(scope=["user/*.*"])),
    "a CDS client's token": lambda: s.sign(s.claims()),
    "another type": lambda: s.sign(s.access_claims(), typ="dpop+jwt"),
}


@pytest.mark.parametrize("attack", ATTACKS)
def test_an_attack_is_refused_without_a_reason(service: TestClient, attack: str) -> None:
    answer = send(service, ATTACKS[attack]())
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"
    assert answer.json()["issue"][0]["diagnostics"] == "the caller is not known"


@pytest.mark.parametrize(
    ("scope", "proposing", "comparing"),
    [
        ("user/MedicationRequest.crs", 200, 200),
        ("system/MedicationRequest.cruds", 200, 200),
        ("patient/*.*", 200, 200),
        ("user/*.write user/*.read", 200, 200),
        ("openid user/MedicationRequest.c", 200, 403),
        ("user/MedicationRequest.rs", 403, 200),
        ("user/MedicationRequest.read", 403, 200),
        ("user/MedicationRequest.write", 200, 403),  # to write is not to read (SMART 1.0)
        ("user/MedicationRequest.cud", 200, 403),
        ("user/Patient.cruds", 403, 403),
        ("user/MedicationRequest.c?category=community", 403, 403),
        ("user/MedicationRequest.", 403, 403),
        ("user/MedicationRequestX.c", 403, 403),
        ("launch openid fhirUser", 403, 403),
        ("", 403, 403),
    ],
)
def test_a_token_must_hold_the_scope_of_the_operation(
    service: TestClient, scope: str, proposing: int, comparing: int
) -> None:
    token = s.sign(s.access_claims(scope=scope))
    assert send(service, token).status_code == proposing
    assert send(service, token, COMPARE).status_code == comparing


def test_a_403_names_the_scope_that_is_lacking(service: TestClient) -> None:
    answer = send(service, s.sign(s.access_claims(scope="openid")))
    assert answer.headers["www-authenticate"] == (
        'Bearer error="insufficient_scope", scope="user/MedicationRequest.c"'
    )
    assert answer.json()["issue"][0]["code"] == "forbidden"


def test_an_operation_that_is_not_in_the_table_needs_the_most() -> None:
    assert need_of("/fhir/r4/$something-new") == PROPOSING
    assert need_of("/fhir/r5/$compare-bases") == READING


@given(st.lists(st.text(max_size=40), max_size=4))
def test_no_other_text_is_a_scope(texts: list[str]) -> None:
    assert not allow([text for text in texts if "/" not in text], PROPOSING)


@pytest.mark.parametrize("alg", ["RS256", "RS384", "RS512", "PS256", "PS384", "PS512"])
def test_a_key_serves_the_one_algorithm_that_it_names(
    service: TestClient, server: Server, alg: str
) -> None:
    """RFC 7517, 4.4: an issuer who gave up an algorithm must not be held to it by a caller."""
    (key,) = s.key_set("rs384")["keys"]
    server.answer = lambda: httpx.Response(200, json={"keys": [{**key, "alg": "PS384"}]})
    answer = send(service, s.sign(s.access_claims(), "rs384", alg))
    assert answer.status_code == (200 if alg == "PS384" else 401)
    named = JWKRegistry.import_key({**key, "alg": "PS384"})
    assert fits(named, alg) is (alg == "PS384")  # whatever the library that verifies makes of it


def test_the_key_set_is_kept_and_its_outage_is_503_only_before_it_was_read(
    service: TestClient, server: Server
) -> None:
    good = server.answer
    server.answer = lambda: httpx.Response(500)
    assert send(service, s.sign(s.access_claims())).status_code == 503
    server.answer = good
    assert send(service, s.sign(s.access_claims())).status_code == 503  # asked again in 10 seconds


@pytest.mark.parametrize(
    "answer",
    [
        httpx.Response(302, headers={"location": "https://evil.example/jwks"}),
        httpx.Response(200, html="<html>"),
        httpx.Response(200, json=[]),
        httpx.Response(200, content=b" " * 300_000),
    ],
)
def test_what_is_no_key_set_gives_no_key(
    service: TestClient, server: Server, answer: httpx.Response
) -> None:
    server.answer = lambda: answer
    assert send(service, s.sign(s.access_claims())).status_code in {401, 503}
    assert {request.url.host for request in server.asked} == {"as.example"}


def active(**changes: Any) -> Callable[[], httpx.Response]:
    said = {"active": True, **s.access_claims(**changes)}
    return lambda: httpx.Response(200, json={k: v for k, v in said.items() if v is not None})


def test_an_opaque_token_is_introspected_with_our_own_credentials(
    introspecting: TestClient, server: Server
) -> None:
    server.answer = active()
    assert [send(introspecting, "opaque").status_code for _ in range(2)] == [200, 200]
    (request,) = server.asked  # the second time the answer is still known
    assert request.method == "POST"
    assert request.content == b"token=opaque&token_type_hint=access_token"
    assert request.headers["authorization"].startswith("Basic ")


@pytest.mark.parametrize(
    ("answer", "status"),
    [
        (lambda: httpx.Response(200, json={"active": False}), 401),
        (lambda: httpx.Response(200, json={"active": "true"}), 401),
        (active(aud="https://else.example"), 401),
        (active(aud=None), 401),
        (active(exp=s.NOW - 60), 401),
        (active(exp=s.NOW - 30), 401),  # so far another's clock may be off, and no further
        (active(exp=s.NOW - 29), 200),
        (active(nbf=s.NOW + 31), 401),
        (active(scope="openid"), 403),
        (active(scope=None), 403),
        (lambda: httpx.Response(200, json=[]), 503),
        (lambda: httpx.Response(200, html="<html>"), 503),
        (lambda: httpx.Response(401), 503),
        (lambda: httpx.Response(302, headers={"location": "https://evil.example"}), 503),
    ],
)
def test_an_introspection_that_does_not_vouch_is_no_way_in(
    introspecting: TestClient, server: Server, answer: Any, status: int
) -> None:
    server.answer = answer
    assert send(introspecting, "opaque").status_code == status


def test_what_was_vouched_for_is_asked_about_again_when_the_token_ends(
    catalogue: Catalogue, server: Server
) -> None:
    """It is kept for half a minute, but a token that ends before that is not let in by it."""
    moment = [s.NOW]
    app = create_app(introspection(), catalogue, clock=lambda: s.at(moment[0]), transport=server)
    server.answer = active(exp=s.NOW + 10)
    with TestClient(app) as client:
        assert send(client, "opaque").status_code == 200
        server.answer = lambda: httpx.Response(200, json={"active": False})
        moment[0] = s.NOW + 9
        assert send(client, "opaque").status_code == 200
        moment[0] = s.NOW + 10
        assert send(client, "opaque").status_code == 401


def test_an_authorization_server_out_of_reach_is_503(
    introspecting: TestClient, server: Server
) -> None:
    def gone() -> httpx.Response:
        raise httpx.ConnectError("gone")

    server.answer = gone
    answer = send(introspecting, "opaque")
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "5"


def test_the_statement_of_capabilities_says_that_a_token_is_needed(service: TestClient) -> None:
    security = service.get("/fhir/r4/metadata").json()["rest"][0]["security"]
    assert security["service"][0]["coding"][0]["code"] == "OAuth"


@pytest.mark.parametrize(
    "half",
    [
        {"fhir_auth": "jwks"},
        {"fhir_auth": "jwks", "oauth_issuer": s.AS, "oauth_jwks": JWKS},
        {"fhir_auth": "introspection", "introspection_url": INTROSPECT},
        {"cds_auth": "jwt", "public_url": s.BASE},
        {"cds_auth": "jwt", "cds_issuers": {s.ISSUER: "x"}},
        {"cds_auth": "on"},
    ],
)
def test_a_half_configured_check_is_refused_at_start(half: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"CROSSGRAIN_|cds_auth"):
        Settings(**half)


def test_a_secret_may_stand_in_a_file_and_is_never_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from crossgrain.http.settings import HIDDEN, settings_from_environment  # noqa: PLC0415

    (tmp_path / "crossgrain_introspection_secret").write_text("hush")
    monkeypatch.setenv("CROSSGRAIN_SECRETS_DIR", str(tmp_path))
    settings = settings_from_environment()
    assert settings.introspection_secret is not None
    assert settings.introspection_secret.get_secret_value() == "hush"
    shown = dict(settings.summary())
    assert shown["introspection_secret"] == HIDDEN
    assert "hush" not in json.dumps(shown) + repr(settings)
