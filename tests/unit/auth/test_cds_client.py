"""The claims of a CDS client's token, each at the edge of what is taken."""

import asyncio
from typing import Any

import pytest
from joserfc.jwk import Key
from tests.api import signing as s

from crossgrain.auth.callers import CdsClients
from crossgrain.auth.tokens import NotKnown, Why
from crossgrain.http.settings import Settings

LIFE, LEEWAY = 300, 30


class Source:
    """A client's keys, wherever they lie."""

    location = "https://ehr.example/jwks"

    def __init__(self, *names: str) -> None:
        self._names = names

    async def key(self, key_id: str) -> Key:
        if key_id not in self._names:
            raise NotKnown(Why.KEY)
        return s.KEYS[key_id]


class Used:
    """Remembers what it was asked."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, float]] = []

    async def first_use(self, name: str, until: float) -> bool:
        first = name not in {name for name, _ in self.asked}
        self.asked.append((name, until))
        return first

    async def close(self) -> None: ...


@pytest.fixture
def used() -> Used:
    return Used()


def taken(used: Used, token: str, path: str = s.SERVICE) -> bool:
    """Whether a token is let in."""
    settings = Settings(
        public_url=s.BASE, cds_token_seconds=LIFE, clock_leeway_seconds=LEEWAY, cds_issuers={}
    )
    sources: dict[str, Any] = {s.ISSUER: Source("es384"), s.OTHER: Source("other")}
    clients = CdsClients(settings, sources, used, lambda: float(s.NOW))
    try:
        asyncio.run(clients.admit(token, path))
    except NotKnown:
        return False
    return True


def test_a_used_token_is_remembered_under_its_client_as_long_as_it_could_be_sent_again(
    used: Used,
) -> None:
    assert taken(used, s.sign(s.claims(jti="one")))
    assert used.asked == [(f"{s.ISSUER} one", s.NOW + 120.0 + LEEWAY)]


def test_what_is_refused_is_not_remembered(used: Used) -> None:
    """Else anybody could fill the store, or use up another's token before it is sent."""
    assert not taken(used, s.sign(s.claims(aud="https://else.example")))
    assert not taken(used, s.sign(s.claims(), "stranger"))
    assert used.asked == []


@pytest.mark.parametrize(
    ("life", "good"), [(LIFE - 1, True), (LIFE, True), (LIFE + 1, False), (0.5, True), (0, False)]
)
def test_a_token_lives_no_longer_than_it_may(*, used: Used, life: float, good: bool) -> None:
    """However short: RFC 7519 gives seconds with a fraction."""
    assert taken(used, s.sign(s.claims(iat=s.NOW, exp=s.NOW + life))) is good


def test_a_token_that_ends_before_it_was_issued_is_refused(used: Used) -> None:
    assert not taken(used, s.sign(s.claims(iat=s.NOW + 10, exp=s.NOW + 9)))


@pytest.mark.parametrize(
    ("name", "good"), [("", False), ("x", True), ("x" * 256, True), ("x" * 257, False), (5, False)]
)
def test_a_tokens_name_is_a_text_that_can_be_kept(*, used: Used, name: Any, good: bool) -> None:
    assert taken(used, s.sign(s.claims(jti=name))) is good


@pytest.mark.parametrize("kind", ["JWT", "jwt"])
def test_the_type_is_jwt_in_any_letters(used: Used, kind: str) -> None:
    """RFC 7519, section 5.1."""
    assert taken(used, s.sign(s.claims(), typ=kind))


@pytest.mark.parametrize("kind", [None, "at+jwt", ""])
def test_another_type_is_no_cds_clients_token(used: Used, kind: str | None) -> None:
    assert not taken(used, s.sign(s.claims(), typ=kind))


@pytest.mark.parametrize(
    ("url", "good"),
    [(Source.location, True), ("https://evil.example/jwks", False), ("", False), (None, True)],
)
def test_a_token_may_name_where_its_keys_lie_if_that_is_where_we_look(
    *, used: Used, url: str | None, good: bool
) -> None:
    assert taken(used, s.sign(s.claims(), jku=url)) is good


def test_a_key_of_one_client_signs_for_no_other(used: Used) -> None:
    assert not taken(used, s.sign(s.claims(iss=s.OTHER)))
    assert taken(used, s.sign(s.claims(iss=s.OTHER), "other"))


def test_an_issuer_that_is_not_listed_is_nobody(used: Used) -> None:
    assert not taken(used, s.sign(s.claims(iss="https://evil.example/")))


@pytest.mark.parametrize(
    ("audience", "good"),
    [
        (f"{s.BASE}{s.SERVICE}", True),
        ([f"{s.BASE}{s.SERVICE}"], True),
        ([f"{s.BASE}{s.SERVICE}", s.BASE], False),
        (s.BASE, False),
        (s.SERVICE, False),
        ([], False),
        (None, False),
    ],
)
def test_a_token_is_for_one_address_alone(*, used: Used, audience: Any, good: bool) -> None:
    assert taken(used, s.sign(s.claims(aud=audience))) is good


def test_a_token_without_a_time_of_issue_is_refused(used: Used) -> None:
    assert not taken(used, s.sign(s.claims(iat=None)))


@pytest.mark.parametrize(("ago", "good"), [(29, True), (30, False)])
def test_a_clock_may_be_off_by_the_leeway_and_no_more(*, used: Used, ago: int, good: bool) -> None:
    assert taken(used, s.sign(s.claims(iat=s.NOW - 100, exp=s.NOW - ago))) is good
