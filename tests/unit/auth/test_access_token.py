"""An access token: what of a signed one is looked at, and how one is asked about."""

import asyncio
import base64
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from joserfc.jwk import Key
from tests.api import signing as s

from crossgrain.auth import callers as access_token
from crossgrain.auth import tokens as keys
from crossgrain.auth.callers import AccessTokens, Introspected, Signed
from crossgrain.auth.tokens import NotKnown, Unavailable
from crossgrain.http.settings import Settings

INTROSPECT = "https://as.example/introspect"
SCOPES = ("user/MedicationRequest.crs",)


class Source:
    """The issuer's keys."""

    location = "https://as.example/jwks"

    async def key(self, key_id: str) -> Key:
        return s.KEYS[key_id]


def scopes(tokens: AccessTokens, token: str) -> tuple[str, ...] | str:
    """What a token allows, or how it is refused."""
    try:
        return asyncio.run(tokens.scopes(token))
    except (NotKnown, Unavailable) as refused:
        return type(refused).__name__


def signed() -> Signed:
    settings = Settings(oauth_issuer=s.AS, oauth_audience=s.AUDIENCE, clock_leeway_seconds=30)
    return Signed(settings, Source(), lambda: float(s.NOW))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("header", "good"),
    [
        ({"typ": None}, True),
        ({"typ": ""}, True),
        ({"typ": "jwt"}, True),
        ({"typ": "at+jwt"}, True),
        ({"typ": "AT+JWT"}, True),
        ({"typ": "application/at+jwt"}, True),
        ({"typ": "dpop+jwt"}, False),
        ({"typ": "logout+jwt"}, False),
        ({"jku": Source.location}, True),
        ({"jku": "https://evil.example/jwks"}, False),
        ({"jku": ""}, False),
    ],
)
def test_a_signed_token_is_of_a_type_of_access_tokens_and_names_no_other_keys(
    *, header: dict[str, Any], good: bool
) -> None:
    """RFC 9068, section 4, and RFC 8725, section 3.11: an ID or logout token is no access token."""
    assert scopes(signed(), s.sign(s.access_claims(), **header)) == (SCOPES if good else "NotKnown")


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ({}, SCOPES),
        ({"scope": "a  b\tc"}, ("a", "b", "c")),
        ({"scope": ""}, ()),
        ({"scope": None}, ()),
        ({"scope": ["a"]}, "NotKnown"),
        ({"iss": "https://as.example/"}, "NotKnown"),
        ({"iss": None}, "NotKnown"),
        ({"aud": [s.AUDIENCE, "https://else.example"]}, SCOPES),
        ({"aud": [[s.AUDIENCE]]}, "NotKnown"),
        ({"aud": []}, "NotKnown"),
        ({"aud": None}, "NotKnown"),
        ({"aud": "https://dose.example"}, "NotKnown"),
        ({"exp": s.NOW - 29}, SCOPES),
        ({"exp": s.NOW - 30}, "NotKnown"),
        ({"nbf": s.NOW + 30}, SCOPES),
        ({"nbf": s.NOW + 31}, "NotKnown"),
    ],
)
def test_a_signed_token_is_ours_by_issuer_audience_and_time(
    changes: dict[str, Any], outcome: Any
) -> None:
    assert scopes(signed(), s.sign(s.access_claims(**changes))) == outcome


def test_a_signature_of_somebody_else_is_refused() -> None:
    assert scopes(signed(), s.tampered(s.sign(s.access_claims()), scope="user/*.*")) == "NotKnown"


class Vouching:
    """The authorization server: what it was asked, and what it says."""

    def __init__(self) -> None:
        self.asked: list[httpx.Request] = []
        self.said: dict[str, Any] = {"active": True, **s.access_claims()}
        self.answer: Callable[[], httpx.Response] = lambda: httpx.Response(200, json=self.said)

    async def __call__(self, request: httpx.Request) -> httpx.Response:
        await request.aread()
        self.asked.append(request)
        return self.answer()


class Seconds:
    """A clock, or ticks, that a test moves."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds

    def __call__(self) -> float:
        return self.seconds


class Asked:
    """A service that asks about tokens, its clocks in the test's hands."""

    def __init__(self, **settings: Any) -> None:
        self.server = Vouching()
        self.clock, self.ticks = Seconds(float(s.NOW)), Seconds(500.0)
        client = httpx.AsyncClient(transport=httpx.MockTransport(self.server))
        whole = {
            "oauth_audience": s.AUDIENCE,
            "introspection_url": INTROSPECT,
            "introspection_client": "crossgrain",
            "introspection_secret": "hush",
            "clock_leeway_seconds": 30,
            **settings,
        }
        self.tokens = Introspected(Settings(**whole), client, self.clock, self.ticks)

    def __call__(self, token: str = "opaque") -> tuple[str, ...] | str:
        return scopes(self.tokens, token)

    def times(self) -> int:
        """How often the server was asked."""
        return len(self.server.asked)


@pytest.fixture
def ask() -> Asked:
    return Asked()


def test_a_token_is_asked_about_in_a_form_and_with_our_own_name_and_secret(ask: Asked) -> None:
    """RFC 7662, section 2.1; the credentials by HTTP Basic, RFC 6749, section 2.3.1."""
    assert ask("a b&c") == SCOPES
    (request,) = ask.server.asked
    assert (request.method, str(request.url)) == ("POST", INTROSPECT)
    assert request.content == b"token=a+b%26c&token_type_hint=access_token"
    assert request.headers["content-type"] == "application/x-www-form-urlencoded"
    assert request.headers["accept"] == "application/json"
    scheme, _, credentials = request.headers["authorization"].partition(" ")
    assert (scheme, base64.b64decode(credentials)) == ("Basic", b"crossgrain:hush")


@pytest.mark.parametrize(
    ("issuer", "outcome"),
    [(s.AS, SCOPES), ("https://evil.example", "NotKnown"), (None, SCOPES), ("", "NotKnown")],
)
def test_a_vouched_token_of_another_issuer_is_refused_where_one_is_set(
    issuer: str | None, outcome: Any
) -> None:
    """One server may vouch for the tokens of several; RFC 7662 leaves the claim optional."""
    ask = Asked(oauth_issuer=s.AS)
    ask.server.said = {"active": True, **s.access_claims(iss=issuer)}
    assert ask() == outcome


def test_where_no_issuer_is_set_the_server_that_is_asked_is_believed() -> None:
    ask = Asked(oauth_issuer=None)
    ask.server.said["iss"] = "https://any.example"
    assert ask() == SCOPES


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ({"active": False}, "NotKnown"),
        ({"active": None}, "NotKnown"),
        ({"active": 1}, "NotKnown"),
        ({"active": "true"}, "NotKnown"),
        ({"aud": "https://else.example"}, "NotKnown"),
        ({"exp": None}, SCOPES),
        ({"exp": "soon"}, "NotKnown"),
        ({"exp": s.NOW - 29}, SCOPES),
        ({"exp": s.NOW - 30}, "NotKnown"),
        ({"nbf": s.NOW + 30}, SCOPES),
        ({"nbf": s.NOW + 31}, "NotKnown"),
        ({"exp": None, "nbf": s.NOW + 30}, SCOPES),
        ({"exp": None, "nbf": s.NOW + 31}, "NotKnown"),
        ({"exp": None, "iat": s.NOW + 31}, "NotKnown"),
    ],
)
def test_of_what_is_vouched_for_use_audience_and_time_are_still_looked_at(
    ask: Asked, changes: dict[str, Any], outcome: Any
) -> None:
    ask.server.said |= changes
    assert ask() == outcome


@pytest.mark.parametrize(("later", "asked"), [(29.0, 1), (30.0, 2), (31.0, 2)])
def test_an_answer_is_kept_for_half_a_minute(ask: Asked, later: float, asked: int) -> None:
    ask()
    ask.ticks.seconds += later
    assert ask() == SCOPES
    assert ask.times() == asked


@pytest.mark.parametrize(("later", "asked"), [(9.0, 1), (10.0, 2), (11.0, 2)])
def test_an_answer_is_never_kept_past_the_token(ask: Asked, later: float, asked: int) -> None:
    ask.server.said["exp"] = s.NOW + 10
    ask()
    ask.clock.seconds += later
    ask()
    assert ask.times() == asked


def test_an_answer_about_a_token_without_an_end_is_kept_for_as_long(ask: Asked) -> None:
    ask.server.said["exp"] = None
    ask()
    ask.clock.seconds += 10_000_000
    assert ask() == SCOPES
    assert ask.times() == 1


def test_each_token_is_asked_about_and_answered_for_itself(ask: Asked) -> None:
    assert ask("one") == SCOPES
    ask.server.said["scope"] = "openid"
    assert ask("two") == ("openid",)
    assert (ask("one"), ask("two")) == (SCOPES, ("openid",))
    assert ask.times() == 2


def test_a_refusal_is_not_kept(ask: Asked) -> None:
    """A token that becomes valid is let in at once."""
    ask.server.said["active"] = False
    assert ask() == "NotKnown"
    ask.server.said["active"] = True
    assert ask() == SCOPES


def test_no_more_answers_are_kept_than_there_is_room_for(
    ask: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made-up tokens of a server that vouches for all must not fill the memory."""
    monkeypatch.setattr(access_token, "_MOST_KEPT", 2)
    asked = []
    for token in ("a", "b", "a", "b", "c", "c", "a"):
        ask(token)
        asked.append(ask.times())
    assert asked == [1, 2, 2, 2, 3, 3, 4]


def gone() -> httpx.Response:
    raise httpx.ConnectError("gone")


@pytest.mark.parametrize(
    "answer",
    [
        gone,
        lambda: httpx.Response(201, json={"active": True, **s.access_claims()}),
        lambda: httpx.Response(302, headers={"location": "https://evil.example"}),
        lambda: httpx.Response(401),
        lambda: httpx.Response(200, content=b""),
        lambda: httpx.Response(200, content=b"\xff"),
        lambda: httpx.Response(200, content=b"[" * 100_000),
        lambda: httpx.Response(200, content=b" " * (keys.MOST_BYTES + 1)),
        lambda: httpx.Response(200, json=[]),
        lambda: httpx.Response(200, json=None),
    ],
)
def test_where_no_server_vouches_nobody_can_be_told(
    ask: Asked, answer: Callable[[], httpx.Response]
) -> None:
    ask.server.answer = answer
    assert ask() == "Unavailable"


def test_an_answer_may_be_as_long_as_is_sensible(ask: Asked) -> None:
    said = httpx.Response(200, json=ask.server.said).content
    ask.server.answer = lambda: httpx.Response(200, content=said.ljust(keys.MOST_BYTES))
    assert ask() == SCOPES


def test_a_slow_answer_is_given_up(ask: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keys, "SECONDS", 0.05)

    async def slow(_: httpx.Request) -> httpx.Response:
        await asyncio.sleep(5)
        return httpx.Response(200)

    ask.tokens._client = httpx.AsyncClient(transport=httpx.MockTransport(slow))
    assert ask() == "Unavailable"
