"""A token's header, its signature, its claims of time: each at the edge of what is taken."""

import base64
import json
from typing import Any

import pytest
from joserfc.jwk import ECKey, Key, OctKey, OKPKey
from tests.api import signing as s

from crossgrain.auth.tokens import (
    LONGEST_TOKEN,
    Header,
    NotKnown,
    check_times,
    fits,
    moment,
    read_header,
    unverified_issuer,
    verified_claims,
)

PLAIN = {"alg": "ES384", "kid": "es384", "typ": "JWT"}
LEEWAY = 30


def token(header: Any, body: Any = None) -> str:
    """A token with that header; nothing signs it."""
    return f"{s.part(header)}.{s.part(body or {})}.c2ln"


def test_a_header_is_read_as_it_stands() -> None:
    said = PLAIN | {"jku": "https://ehr.example/jwks"}
    assert read_header(token(said)) == Header("ES384", "es384", "JWT", "https://ehr.example/jwks")


def test_a_header_may_leave_out_its_type_and_the_address_of_its_keys() -> None:
    assert read_header(token({"alg": "EdDSA", "kid": "k"})) == Header("EdDSA", "k", "", None)


@pytest.mark.parametrize("kid", ["a", "ab", "abc", "abcd"])
def test_a_header_of_any_length_is_decoded(kid: str) -> None:
    """JWS leaves out the padding of base64url (RFC 7515, section 2), whichever is due."""
    assert read_header(token(PLAIN | {"kid": kid})).key_id == kid


@pytest.mark.parametrize(
    "changed",
    [
        {"alg": None},
        {"alg": "none"},
        {"alg": "HS256"},
        {"alg": "es384"},
        {"alg": ["ES384"]},
        {"kid": None},
        {"kid": ""},
        {"kid": 5},
        {"kid": 0},
        {"typ": 5},
        {"typ": ["JWT"]},
        {"jku": 5},
        {"jku": ["https://ehr.example"]},
        {"crit": ["exp"]},
        {"b64": False},
        {"jwk": {}},
        {"x5c": []},
        {"x5u": "https://evil.example"},
    ],
    ids=json.dumps,
)
def test_a_header_that_asks_for_more_than_a_plain_signature_is_refused(
    changed: dict[str, Any],
) -> None:
    with pytest.raises(NotKnown):
        read_header(token(PLAIN | changed))


@pytest.mark.parametrize("header", [[], "JWT", 5, None])
def test_a_header_that_is_no_object_is_refused(header: Any) -> None:
    with pytest.raises(NotKnown):
        read_header(token(header))


@pytest.mark.parametrize("encoded", ["a", "!!!!", "eyJ", "é", base64.b64encode(b"\xff").decode()])
def test_a_header_that_cannot_be_decoded_is_refused(encoded: str) -> None:
    with pytest.raises(NotKnown):
        read_header(f"{encoded}.e30.c2ln")


def test_a_nested_header_is_refused_and_no_fault_of_ours() -> None:
    deep = base64.urlsafe_b64encode(b"[" * 5000).decode().rstrip("=")
    with pytest.raises(NotKnown):
        read_header(f"{deep}.e30.c2ln")


@pytest.mark.parametrize("parts", [1, 2, 4, 5])
def test_a_token_has_three_parts(parts: int) -> None:
    """One of five is encrypted: what stands in it was signed by nobody that we know."""
    with pytest.raises(NotKnown):
        read_header(".".join([s.part(PLAIN), *["e30"] * (parts - 1)]))


@pytest.mark.parametrize(("over", "taken"), [(-1, True), (0, True), (1, False)])
def test_a_token_is_no_longer_than_is_sensible(*, over: int, taken: bool) -> None:
    long = token(PLAIN)
    long += "A" * (LONGEST_TOKEN + over - len(long))
    if taken:
        assert read_header(long).key_id == "es384"
    else:
        with pytest.raises(NotKnown):
            read_header(long)


def test_the_issuer_stands_in_the_claims() -> None:
    assert unverified_issuer(token(PLAIN, {"iss": s.ISSUER})) == s.ISSUER


@pytest.mark.parametrize("issuer", [None, 5, ["https://ehr.example/"]])
def test_an_issuer_that_is_no_text_is_nobody(issuer: Any) -> None:
    with pytest.raises(NotKnown):
        unverified_issuer(token(PLAIN, {"iss": issuer}))


SIGNERS = {"es384": "ES384", "rs384": "PS512", "ed": "Ed25519", "p256": "ES256"}


@pytest.mark.parametrize("name", SIGNERS)
def test_what_the_key_signed_is_believed_and_nothing_else(name: str) -> None:
    said = s.claims()
    signed = s.sign(said, name, SIGNERS[name])
    header = read_header(signed)
    assert verified_claims(signed, header, s.KEYS[name]) == said
    head, body, signature = signed.split(".")
    for forged in (s.tampered(signed, exp=s.NOW + 9), f"{head}.{body}.", f"{head}.{body}.AAAA"):
        with pytest.raises(NotKnown):
            verified_claims(forged, header, s.KEYS[name])
    assert signature


def test_a_signed_body_that_is_no_object_is_refused() -> None:
    signed = s.sign(["iss"], "es384")  # type: ignore[arg-type]
    with pytest.raises(NotKnown):
        verified_claims(signed, read_header(signed), s.KEYS["es384"])


def test_a_signature_by_a_key_that_does_not_fit_is_not_even_checked() -> None:
    signed = s.sign(s.claims(), "es384")
    for_encryption = ECKey.import_key(s.KEYS["es384"].as_dict(private=False) | {"use": "enc"})
    with pytest.raises(NotKnown):
        verified_claims(signed, read_header(signed), for_encryption)


def with_use(name: str, **said: str) -> Key:
    """The same public key, published with other words."""
    public = {**s.KEYS[name].as_dict(private=False)}
    public.pop("alg", None)
    public.pop("use", None)
    kind: type[Any] = type(s.KEYS[name])
    key: Key = kind.import_key(public | said)
    return key


CURVES = {
    "ES256": ECKey.generate_key("P-256"),
    "ES384": ECKey.generate_key("P-384"),
    "ES512": ECKey.generate_key("P-521"),
}


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("algorithm", [*CURVES, "RS256", "EdDSA"])
def test_an_elliptic_key_serves_the_algorithm_of_its_curve(curve: str, algorithm: str) -> None:
    """RFC 7518, section 3.4: each of the three has one curve."""
    assert fits(CURVES[curve], algorithm) is (curve == algorithm)


@pytest.mark.parametrize(
    ("algorithm", "fitting"),
    [("RS256", True), ("PS512", True), ("ES256", False), ("EdDSA", False), ("HS256", False)],
)
def test_an_rsa_key_serves_the_algorithms_of_rsa(*, algorithm: str, fitting: bool) -> None:
    assert fits(with_use("rs384"), algorithm) is fitting


@pytest.mark.parametrize(
    ("curve", "algorithm", "fitting"),
    [
        ("Ed25519", "EdDSA", True),
        ("Ed25519", "Ed25519", True),
        ("Ed25519", "ES256", False),
        ("Ed448", "EdDSA", False),
        ("X25519", "EdDSA", False),
    ],
)
def test_an_edwards_key_serves_only_where_it_signs(
    *, curve: Any, algorithm: str, fitting: bool
) -> None:
    assert fits(OKPKey.generate_key(curve), algorithm) is fitting


def test_a_shared_secret_serves_no_algorithm() -> None:
    secret = OctKey.import_key("0" * 64)
    assert not any(fits(secret, algorithm) for algorithm in ("HS256", "RS256", "ES256", "EdDSA"))


@pytest.mark.parametrize(
    ("said", "fitting"),
    [
        ({}, True),
        ({"use": "sig"}, True),
        ({"use": "enc"}, False),
        ({"alg": "ES384"}, True),
        ({"alg": "ECDH-ES"}, False),
        ({"use": "sig", "alg": "ES256"}, False),
    ],
)
def test_a_key_serves_the_purpose_that_it_was_published_for(
    *, said: dict[str, str], fitting: bool
) -> None:
    """RFC 7517, sections 4.2 and 4.4."""
    assert fits(with_use("es384", **said), "ES384") is fitting


@pytest.mark.parametrize(("said", "read"), [(5, 5.0), (5.5, 5.5), (0, 0.0), (None, None)])
def test_a_moment_is_a_number_of_seconds(*, said: Any, read: float | None) -> None:
    assert moment({"exp": said}, "exp") == read


def test_a_moment_that_is_not_there_is_none() -> None:
    assert moment({"iat": 5}, "exp") is None


@pytest.mark.parametrize("said", [True, False, "5", [5], 10**400, float("inf"), float("nan")])
def test_a_moment_that_is_no_number_of_seconds_is_refused(said: Any) -> None:
    with pytest.raises(NotKnown):
        moment({"exp": said}, "exp")


@pytest.mark.parametrize(
    ("claims", "taken"),
    [
        ({"exp": 100}, True),
        ({"exp": 71}, True),
        ({"exp": 70}, False),  # over, and the leeway too
        ({"exp": 69}, False),
        ({}, False),
        ({"nbf": 1}, False),
        ({"exp": 200, "nbf": 130}, True),
        ({"exp": 200, "nbf": 131}, False),
        ({"exp": 200, "iat": 130}, True),
        ({"exp": 200, "iat": 131}, False),
        ({"exp": 200, "nbf": 131, "iat": 1}, False),
        ({"exp": 200, "nbf": 1, "iat": 131}, False),
    ],
    ids=json.dumps,
)
def test_a_token_is_taken_from_its_first_to_its_last_second_and_the_leeway(
    *, claims: dict[str, int], taken: bool
) -> None:
    if taken:
        assert check_times(claims, 100.0, LEEWAY) == claims["exp"]
    else:
        with pytest.raises(NotKnown):
            check_times(claims, 100.0, LEEWAY)
