"""A CDS client's token: who is let in, and every attack by its name."""

import json
import logging
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.auth.tokens import Why, may_be_named
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from . import signing as s
from .hooks import ORDER, call

BODY = call("01-levothyroxine-150.json", [])
Ask = Callable[..., int]


class Time:
    """A clock that a test can move."""

    def __init__(self) -> None:
        self.seconds = s.NOW

    def __call__(self) -> Any:
        return s.at(self.seconds)


@pytest.fixture
def time() -> Time:
    return Time()


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    path = tmp_path / "ehr.json"
    path.write_text(json.dumps(s.key_set("es384", "rs384", "ed", "enc", "p256")))
    return path


@pytest.fixture
def service(catalogue: Catalogue, keys: Path, tmp_path: Path, time: Time) -> Iterator[TestClient]:
    other = tmp_path / "other.json"
    other.write_text(json.dumps(s.key_set("other")))
    settings = Settings(
        public_url=s.BASE,
        cds_auth="jwt",
        cds_issuers={s.ISSUER: str(keys), s.OTHER: str(other)},
    )
    app = create_app(settings, catalogue, clock=time, ticks=lambda: float(time.seconds))
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def ask(service: TestClient) -> Ask:
    """Call a service with a token, and give the status; a 401 must give no reason."""

    def send(token: str, path: str = ORDER) -> int:
        headers = {"authorization": f"Bearer {token}"}
        answer = (
            service.get(path, headers=headers)
            if path == "/cds-services"
            else service.post(path, json=BODY, headers=headers)
        )
        if answer.status_code == 401:
            assert answer.headers["www-authenticate"] == "Bearer"
            assert answer.json()["issue"] == [
                {"severity": "error", "code": "login", "diagnostics": "the caller is not known"}
            ]
        return answer.status_code

    return send


@pytest.mark.parametrize(
    ("name", "alg"), [("es384", "ES384"), ("rs384", "RS384"), ("ed", "Ed25519"), ("p256", "ES256")]
)
def test_a_client_that_signs_is_let_in(ask: Ask, name: str, alg: str) -> None:
    assert ask(s.sign(s.claims(), name, alg)) == 200


def test_the_audience_may_be_a_list_of_one(ask: Ask) -> None:
    assert ask(s.sign(s.claims(aud=[f"{s.BASE}{ORDER}"]))) == 200


def test_discovery_and_feedback_take_a_token_of_their_own(ask: Ask, service: TestClient) -> None:
    assert ask(s.sign(s.claims("/cds-services")), "/cds-services") == 200
    token = s.sign(s.claims(f"{ORDER}/feedback", jti="2"))
    body = {
        "feedback": [
            {
                "card": "4e0a3a1e-3283-4575-ab82-028d55fe2719",
                "outcome": "overridden",
                "outcomeTimestamp": "2025-03-03T00:00:00Z",
            }
        ]
    }
    headers = {"authorization": f"Bearer {token}"}
    assert service.post(f"{ORDER}/feedback", json=body, headers=headers).status_code == 200


ATTACKS = {
    "no signature, alg none": lambda: s.unsigned(s.claims()),
    "no signature, alg None in another case": lambda: s.unsigned(s.claims(), "NoNe"),
    "no signature under a good alg": lambda: s.unsigned(s.claims(), "ES384"),
    "a signature of zeros": lambda: s.unsigned(s.claims(), "ES384", "A" * 128),
    "the public key as a shared secret": lambda: s.signed_with_the_public_key(s.claims()),
    "a shared secret": lambda: s.with_a_shared_secret(s.claims()),
    "claims changed after signing": lambda: s.tampered(s.sign(s.claims()), exp=s.NOW + 60),
    "a stranger's key under a known id": lambda: s.sign(s.claims(), "stranger"),
    "another client's key": lambda: s.sign(s.claims(), "other"),
    "another client's name": lambda: s.sign(s.claims(iss=s.OTHER)),
    "an issuer that no one trusts": lambda: s.sign(s.claims(iss="https://evil.example/")),
    "no issuer": lambda: s.sign(s.claims(iss=None)),
    "an issuer that is a list": lambda: s.sign(s.claims(iss=[s.ISSUER])),
    "no key id": lambda: s.sign(s.claims(), kid=None),
    "an unknown key id": lambda: s.sign(s.claims(), kid="none"),
    "a key id that is a path": lambda: s.sign(s.claims(), kid="../../etc/passwd"),
    "a key id that is a number": lambda: s.sign(s.claims(), kid=1),
    "a key set of the attacker's, and its key": lambda: s.sign(
        s.claims(), "stranger", jku="https://evil.example/jwks"
    ),
    "a key inside the token": lambda: s.sign(
        s.claims(), "stranger", jwk=s.KEYS["stranger"].as_dict(private=False)
    ),
    "a certificate inside the token": lambda: s.sign(s.claims(), x5c=["AAAA"]),
    "a critical extension": lambda: s.sign(s.claims(), crit=["exp"]),
    "a key that is for encryption": lambda: s.sign(s.claims(), "enc"),
    "a key used with another algorithm": lambda: s.sign(s.claims(), "rs384", "RS256", kid="es384"),
    "an algorithm of another curve": lambda: s.sign(s.claims(), "p256", "ES256", kid="es384"),
    "no type": lambda: s.sign(s.claims(), typ=None),
    "another type": lambda: s.sign(s.claims(), typ="at+jwt"),
    "the audience of discovery": lambda: s.sign(s.claims("/cds-services")),
    "the audience of another service": lambda: s.sign(
        s.claims("/cds-services/thyroid-switch-review")
    ),
    "the audience of feedback": lambda: s.sign(s.claims(f"{ORDER}/feedback")),
    "the audience with a final slash": lambda: s.sign(s.claims(f"{ORDER}/")),
    "the audience at another host": lambda: s.sign(s.claims(aud=f"https://evil.example{ORDER}")),
    "the audience that only begins alike": lambda: s.sign(s.claims(aud=s.BASE)),
    "several audiences": lambda: s.sign(s.claims(aud=[f"{s.BASE}{ORDER}", "https://else.example"])),
    "no audience": lambda: s.sign(s.claims(aud=None)),
    "over": lambda: s.sign(s.claims(exp=s.NOW - 31, iat=s.NOW - 100)),
    "no end": lambda: s.sign(s.claims(exp=None)),
    "an end that is a text": lambda: s.sign(s.claims(exp="tomorrow")),
    "an end that is true": lambda: s.sign(s.claims(exp=True)),
    "an end that is no number": lambda: s.tampered(s.sign(s.claims()), exp=float("nan")),
    "a life of an hour": lambda: s.sign(s.claims(exp=s.NOW + 3600)),
    "issued in the future": lambda: s.sign(s.claims(iat=s.NOW + 60, exp=s.NOW + 120)),
    "issued after its end": lambda: s.sign(s.claims(iat=s.NOW + 25, exp=s.NOW + 20)),
    "never issued": lambda: s.sign(s.claims(iat=None)),
    "not valid yet": lambda: s.sign(s.claims(nbf=s.NOW + 60)),
    "no name of its own": lambda: s.sign(s.claims(jti=None)),
    "an empty name": lambda: s.sign(s.claims(jti="")),
    "a name without end": lambda: s.sign(s.claims(jti="x" * 300)),
    "a name that is a number": lambda: s.sign(s.claims(jti=1)),
    "no token": lambda: "x",
    "two parts": lambda: ".".join(s.sign(s.claims()).split(".")[:2]),
    "five parts": lambda: f"{s.sign(s.claims())}.x.y",
    "a token without end": lambda: s.sign(s.claims(padding="x" * 9000)),
    "an access token": lambda: s.sign(s.access_claims()),
}


@pytest.mark.parametrize("attack", ATTACKS)
def test_an_attack_is_refused_without_a_reason(ask: Ask, attack: str) -> None:
    assert ask(ATTACKS[attack]()) == 401


@pytest.mark.parametrize("attack", ATTACKS)
def test_the_log_tells_why_in_words_of_our_own(
    ask: Ask, caplog: pytest.LogCaptureFixture, attack: str
) -> None:
    token = ATTACKS[attack]()
    with caplog.at_level(logging.INFO, "crossgrain.access"):
        ask(token)
    (line,) = (r for r in caplog.records if r.name == "crossgrain.access")
    assert vars(line)["fields"]["refused"] in set(Why)


REASONS = {
    "no signature under a good alg": Why.SIGNATURE,
    "claims changed after signing": Why.SIGNATURE,
    "an issuer that no one trusts": Why.ISSUER,
    "an unknown key id": Why.KEY,
    "the audience of discovery": Why.AUDIENCE,
    "over": Why.TIMES,
    "a life of an hour": Why.LIFETIME,
    "no name of its own": Why.NAME,
    "another type": Why.TYPE,
    "a key inside the token": Why.HEADER,
    "two parts": Why.FORM,
}


@pytest.mark.parametrize(("attack", "why"), REASONS.items())
def test_the_reason_is_the_one(
    ask: Ask, caplog: pytest.LogCaptureFixture, attack: str, why: Why
) -> None:
    with caplog.at_level(logging.INFO, "crossgrain.access"):
        ask(ATTACKS[attack]())
    assert [vars(r)["fields"]["refused"] for r in caplog.records if hasattr(r, "fields")] == [why]


def test_a_call_that_is_let_in_or_used_before_says_so(
    ask: Ask, caplog: pytest.LogCaptureFixture
) -> None:
    token = s.sign(s.claims())
    with caplog.at_level(logging.INFO, "crossgrain.access"):
        assert [ask(token), ask(token)] == [200, 401]
    first, second = (vars(r)["fields"] for r in caplog.records if hasattr(r, "fields"))
    assert "refused" not in first
    assert second["refused"] == Why.USED


def test_a_key_set_that_a_token_names_is_never_followed_and_does_not_matter_where_keys_are_a_file(
    ask: Ask,
) -> None:
    assert ask(s.sign(s.claims(), jku="https://ehr.example/nowhere/jwks")) == 200


def test_where_keys_have_an_address_a_token_may_name_no_other() -> None:
    at = "https://ehr.example/jwks"
    assert may_be_named(None, at)
    assert may_be_named(at, at)
    assert not may_be_named(f"{at}/", at)
    assert not may_be_named("/keys/ehr.json", at)
    assert may_be_named("https://evil.example", "/keys/ehr.json")


def test_a_token_is_taken_once(ask: Ask) -> None:
    token = s.sign(s.claims())
    assert [ask(token), ask(token)] == [200, 401]


def test_the_same_name_from_another_client_is_another_token(ask: Ask) -> None:
    assert ask(s.sign(s.claims())) == 200
    assert ask(s.sign(s.claims(iss=s.OTHER), "other")) == 200


def test_a_used_token_stays_refused_until_it_is_over(ask: Ask, time: Time) -> None:
    token = s.sign(s.claims())
    assert ask(token) == 200
    time.seconds += 149  # within the leeway after its end
    assert ask(token) == 401


def test_a_clock_that_is_a_little_off_is_forgiven(ask: Ask) -> None:
    assert ask(s.sign(s.claims(iat=s.NOW + 20, exp=s.NOW + 60))) == 200
    assert ask(s.sign(s.claims(iat=s.NOW - 100, exp=s.NOW - 20, jti="2"))) == 200


@pytest.mark.parametrize(
    "header", [{}, {"authorization": "Basic eDp5"}, {"authorization": "Bearer"}]
)
def test_without_a_bearer_token_no_route_of_cds_hooks_answers(
    service: TestClient, header: dict[str, str]
) -> None:
    assert service.get("/cds-services", headers=header).status_code == 401
    assert service.head("/cds-services", headers=header).status_code == 401
    assert service.post(ORDER, json=BODY, headers=header).status_code == 401
    assert service.post("/cds-services/none", json=BODY, headers=header).status_code == 401
    assert service.post(f"{ORDER}/feedback", json={}, headers=header).status_code == 401


def test_two_authorization_headers_are_refused(service: TestClient) -> None:
    token = s.sign(s.claims())
    headers = [("authorization", f"Bearer {token}"), ("authorization", f"Bearer {token}")]
    assert service.post(ORDER, json=BODY, headers=headers).status_code == 401


def test_a_token_in_the_url_is_not_looked_at(service: TestClient) -> None:
    answer = service.post(f"{ORDER}?access_token={s.sign(s.claims())}", json=BODY)
    assert answer.status_code == 401


def test_the_body_of_a_stranger_is_not_read(service: TestClient) -> None:
    assert service.post(ORDER, content=b"\x00" * 100).status_code == 401


def test_what_tells_of_no_patient_is_open(service: TestClient) -> None:
    for path in ("/livez", "/readyz", "/fhir/r4/metadata"):
        assert service.get(path).status_code == 200


def test_a_key_is_rotated_without_a_restart(ask: Ask, keys: Path, time: Time) -> None:
    assert ask(s.sign(s.claims())) == 200
    assert ask(s.sign(s.claims(jti="2"), "next")) == 401
    keys.write_text(json.dumps(s.key_set("next")))
    time.seconds += 11  # an unknown key id makes the set be read again, at most every 10 seconds
    fresh = {"iat": time.seconds, "exp": time.seconds + 60}
    assert ask(s.sign(s.claims(jti="3", **fresh), "next")) == 200
    assert ask(s.sign(s.claims(jti="4", **fresh))) == 401  # the old key is gone


def test_a_key_set_that_can_no_longer_be_read_serves_for_a_day_more(
    ask: Ask, keys: Path, time: Time
) -> None:
    assert ask(s.sign(s.claims())) == 200
    keys.write_text("<html>")
    for seconds, status in ((301, 200), (24 * 3600 - 400, 200), (200, 503)):
        time.seconds += seconds
        fresh = {"iat": time.seconds, "exp": time.seconds + 60, "jti": str(seconds)}
        assert ask(s.sign(s.claims(**fresh))) == status


def test_a_key_set_that_could_never_be_read_is_503_and_not_a_way_in(ask: Ask, keys: Path) -> None:
    keys.unlink()
    assert ask(s.sign(s.claims())) == 503


def test_a_secret_in_a_key_set_is_no_key(ask: Ask, keys: Path) -> None:
    secret = {"kty": "oct", "kid": "es384", "k": "MDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDA"}
    keys.write_text(json.dumps({"keys": [secret]}))
    assert ask(s.with_a_shared_secret(s.claims())) == 401


def test_a_short_rsa_key_is_no_key(ask: Ask, keys: Path) -> None:
    from joserfc.jwk import RSAKey  # noqa: PLC0415 - it warns of the key when it is made

    short = RSAKey.generate_key(1024, {"kid": "short"})
    keys.write_text(json.dumps({"keys": [short.as_dict(private=False)]}))
    s.KEYS["short"] = short
    try:
        assert ask(s.sign(s.claims(), "short", "RS256")) == 401
    finally:
        del s.KEYS["short"]
