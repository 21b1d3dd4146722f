"""Whatever characters stand in a token, a header or a setting: an answer, never a crash."""

import asyncio
import json
from collections.abc import Iterator
from typing import Any

import httpx2 as httpx
import pytest
from fakeredis.aioredis import FakeRedis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from tests.api import signing as s
from tests.api.calls import FHIR, LT4, PROPOSE, RECORD
from tests.api.conftest import STOPPED
from tests.api.hooks import ORDER, call, grains
from tests.api.test_cds_fetching import SERVER, Ehr, lacking
from tests.budget import examples

from crossgrain.app.factory import create_app
from crossgrain.auth.callers import InRedis
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings
from crossgrain.names.errors import DomainError

ANY = st.text(st.characters(exclude_categories=()), max_size=40)
"""Lone surrogates and controls included."""
ONE_OF_EACH = ("ü", "Ω", "\u2028", "\x00", "\r\nX-Evil: 1", "\ud800", "𝟙", "²", " ")
HEADER = st.one_of(st.binary(max_size=40), ANY.map(lambda text: text.encode("utf-8", "replace")))
FEW = settings(
    examples(40),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.fixture(scope="module")
def fetching(catalogue: Catalogue) -> Iterator[TestClient]:
    given = Settings(cds_fhir_servers=(SERVER,), cds_fetch_seconds=5)
    app = create_app(given, catalogue, clock=lambda: STOPPED, transport=Ehr())
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def post(client: TestClient, path: str, body: Any, **headers: Any) -> httpx.Response:
    content = body if isinstance(body, bytes) else json.dumps(body).encode()
    return client.post(
        path, content=content, headers={"content-type": "application/json", **headers}
    )


@FEW
@given(ANY)
@example("ключ")
@example("\ud800")
@example("a\r\nX-Evil: 1")
def test_a_lent_token_of_any_characters_is_sent_as_it_is_or_refused(
    fetching: TestClient, token: str
) -> None:
    body = lacking()
    body["fhirAuthorization"]["access_token"] = token
    answer = post(fetching, ORDER, body)
    sound = bool(token) and all("!" <= letter <= "~" for letter in token)
    assert answer.status_code == (200 if sound else 400), answer.text
    if not sound and "\ud800" not in token:
        assert "fhirAuthorization.access_token" in answer.text


@pytest.mark.parametrize("odd", ONE_OF_EACH)
@pytest.mark.parametrize(
    "place",
    ["fhirServer", "hook", "hookInstance", "patientId", "userId", "encounterId", "token_type"],
)
def test_any_text_in_a_hooks_call_is_answered(fetching: TestClient, place: str, odd: str) -> None:
    body = lacking()
    inside = next(
        (part for part in (body["fhirAuthorization"], body["context"]) if place in part), body
    )
    inside[place] = str(inside.get(place, "")) + odd
    assert post(fetching, ORDER, body).status_code in {200, 400, 412}


@FEW
@given(HEADER)
@example("Bearer ключ".encode())
@example(b"Bearer \xff.\xff.\xff")
@pytest.mark.parametrize(
    "name",
    ["authorization", "x-request-id", "accept", "origin", "content-type", "prefer", "host",
     "content-encoding", "access-control-request-method", "accept-language"],
)  # fmt: skip
def test_a_header_of_any_bytes_is_answered(client: TestClient, name: str, value: bytes) -> None:
    headers = [(b"content-type", b"application/fhir+json"), (name.encode(), value)]
    for method in ("POST", "OPTIONS"):
        asked = client.build_request(method, f"{PROPOSE}?target=nothing", content=RECORD)
        asked.headers = httpx.Headers([*asked.headers.raw, *headers])
        assert client.send(asked).status_code < 500


@FEW
@given(ANY, ANY)
def test_a_query_of_any_characters_is_answered(client: TestClient, name: str, value: str) -> None:
    spelt = [text.encode("utf-8", "surrogatepass") for text in (name, value)]
    query = "=".join("".join(f"%{byte:02x}" for byte in text) for text in spelt)
    answer = client.post(f"{PROPOSE}?{query}", content=RECORD, headers=FHIR)
    assert answer.status_code < 500


ODD_NUMBERS = (10**400, -(10**400), 1e308, True, "1", [1])


@pytest.fixture(scope="module")
def asked_for_tokens(
    catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, TestClient]]:
    keys = tmp_path_factory.mktemp("keys") / "keys.json"
    keys.write_text(json.dumps(s.key_set("es384")))
    cds = Settings(public_url=s.BASE, cds_auth="jwt", cds_issuers={s.ISSUER: str(keys)})
    fhir = Settings(
        fhir_auth="jwks", oauth_issuer=s.AS, oauth_audience=s.AUDIENCE, oauth_jwks=str(keys)
    )
    apps = {
        name: create_app(given, catalogue, clock=lambda: s.at(s.NOW))
        for name, given in (("cds", cds), ("fhir", fhir))
    }
    with (
        TestClient(apps["cds"], raise_server_exceptions=False) as one,
        TestClient(apps["fhir"], raise_server_exceptions=False) as other,
    ):
        yield {"cds": one, "fhir": other}


@pytest.mark.parametrize("odd", [*ONE_OF_EACH, *ODD_NUMBERS], ids=repr)
@pytest.mark.parametrize("name", ["iss", "aud", "jti", "sub", "exp", "iat", "nbf", "scope"])
def test_a_signed_token_with_any_claim_is_taken_or_refused(
    asked_for_tokens: dict[str, TestClient], name: str, odd: Any
) -> None:
    for_cds = s.sign(s.claims("/cds-services", **{name: odd}))
    for_fhir = s.sign(s.access_claims(**{name: odd}))
    cds, fhir = asked_for_tokens["cds"], asked_for_tokens["fhir"]
    answers = (
        cds.get("/cds-services", headers={"authorization": f"Bearer {for_cds}"}),
        post(fhir, PROPOSE, RECORD, authorization=f"Bearer {for_fhir}"),
    )
    assert all(answer.status_code < 500 for answer in answers)


@pytest.mark.parametrize("odd", ONE_OF_EACH, ids=repr)
@pytest.mark.parametrize("name", ["alg", "kid", "typ", "jku", "cty", "crit"])
def test_a_token_with_any_header_is_refused(
    asked_for_tokens: dict[str, TestClient], name: str, odd: str
) -> None:
    header = {"alg": "ES384", "kid": "es384", "typ": "JWT", name: odd}
    token = ".".join((s.part(header), s.part(s.claims("/cds-services")), "AAAA"))
    for client, path in (("cds", "/cds-services"), ("fhir", PROPOSE)):
        answer = asked_for_tokens[client].request(
            "GET" if client == "cds" else "POST", path, headers={"authorization": f"Bearer {token}"}
        )
        assert answer.status_code == 401


def test_a_signed_token_with_deep_claims_is_refused(
    asked_for_tokens: dict[str, TestClient],
) -> None:
    deep: Any = "x"
    for _ in range(900):
        deep = [deep]
    token = s.sign(s.access_claims(deep=deep))
    answer = post(asked_for_tokens["fhir"], PROPOSE, RECORD, authorization=f"Bearer {token}")
    assert answer.status_code < 500


TEXTS = (
    "public_url", "time_zone", "cds_basis", "oauth_issuer", "oauth_audience", "oauth_jwks",
    "introspection_url", "introspection_client", "introspection_secret",
)  # fmt: skip
BASE = {
    "fhir_auth": "introspection",
    "introspection_url": "https://as.example/introspect",
    "introspection_client": "us",
    "introspection_secret": "secret",
    "oauth_audience": s.AUDIENCE,
}


class Vouching(httpx.AsyncBaseTransport):
    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        await request.aread()
        return httpx.Response(200, json={"active": True, **s.access_claims()})


def refused_for(given: dict[str, Any]) -> set[str] | None:
    """The settings that are refused by name; none where they are taken."""
    try:
        Settings(**given)
    except ValidationError as refused:
        return {str(error["loc"][0]) for error in refused.errors()}
    return None


@pytest.mark.parametrize("odd", ONE_OF_EACH, ids=repr)
@pytest.mark.parametrize("name", TEXTS)
def test_a_setting_of_any_characters_is_refused_at_start_or_serves(
    catalogue: Catalogue, name: str, odd: str
) -> None:
    given = {**BASE, name: f"{BASE.get(name, 'https://dose.example')}{odd}"}
    if name == "cds_basis":
        with pytest.raises((DomainError, ValidationError), match=r"basis|UTF-8"):
            create_app(Settings(**given), catalogue)
        return
    if (named := refused_for(given)) is not None:
        assert named == {name}
        return
    app = create_app(Settings(**given), catalogue, transport=Vouching())
    with TestClient(app, raise_server_exceptions=False) as client:
        for path in ("/fhir/r4/metadata", "/", "/cds-services"):
            assert client.get(path).status_code < 500
        answer = post(client, f"{PROPOSE}?target=x", RECORD, authorization="Bearer opaque")
        assert answer.status_code in {400, 401}


@pytest.mark.parametrize("odd", ONE_OF_EACH, ids=repr)
@pytest.mark.parametrize("name", ["cors_origins", "cds_fhir_servers"])
def test_a_listed_address_of_any_characters_is_refused_at_start_or_serves(
    catalogue: Catalogue, name: str, odd: str
) -> None:
    address = f"https://ehr.example{odd}"
    if (named := refused_for({name: (address,)})) is not None:
        assert named == {name}
        return
    with TestClient(
        create_app(Settings(**{name: (address,)}), catalogue), raise_server_exceptions=False
    ) as client:
        body = call(LT4, [grains(60, "p01")]) | {"fhirServer": address}
        del body["prefetch"]["conditions"]
        origin = address.encode("utf-8", "replace")
        assert post(client, ORDER, body).status_code < 500
        asked = client.build_request("GET", "/cds-services")
        asked.headers = httpx.Headers([*asked.headers.raw, (b"origin", origin)])
        assert client.send(asked).status_code < 500


@pytest.mark.parametrize("odd", ONE_OF_EACH, ids=repr)
def test_a_used_tokens_name_of_any_characters_is_taken_once_in_the_shared_store(odd: str) -> None:
    store = InRedis("redis://nowhere.example", lambda: s.NOW)
    store._store = FakeRedis()

    async def twice() -> list[bool]:
        return [await store.first_use(f"issuer {odd}", s.NOW + 60) for _ in range(2)]

    assert asyncio.run(twice()) == [True, False]
