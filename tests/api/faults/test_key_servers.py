"""The server that publishes the keys is down, slow or sends rubbish: who is let in, and when."""

import asyncio
import time
from collections.abc import Callable, Iterator

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from tests.api import signing as s
from tests.api.faults.others import (
    Behaviour,
    Other,
    another,
    answers,
    closes,
    drips,
    never_ends,
    says_nothing,
)
from tests.api.servers import ASKED, FHIR, RECORD

from crossgrain.app.factory import create_app
from crossgrain.auth import tokens as asking
from crossgrain.auth.tokens import KeySource
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

KEPT = 300.0
GOOD = s.key_set("es384", "rs384")
NONSENSE = {"kty": "EC", "kid": "odd", "crv": "P-999", "x": 5}
FAILURES: dict[str, Behaviour] = {
    "hangs up": closes,
    "500": answers({}, "500 Oops"),
    "says nothing": says_nothing,
    "drips": drips,
    "never ends": never_ends,
    "a page": answers(b"<html>login</html>"),
    "no JSON object": answers([]),
    "no keys": answers({}),
    "keys that are no list": answers({"keys": "none"}),
    "nested without end": answers(b"[" * 100_000),
    "not UTF-8": answers(b'{"keys": ["\xff"]}'),
}
Send = Callable[..., tuple[int, float]]


class Ticks:
    """Seconds that a test moves."""

    seconds = 0.0

    def __call__(self) -> float:
        return self.seconds + time.monotonic()


@pytest.fixture(autouse=True)
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three seconds, made shorter for the test."""
    monkeypatch.setattr(asking, "SECONDS", 1.2)


@pytest.fixture
def other() -> Iterator[Other]:
    with another() as other:
        yield other


@pytest.fixture
def ticks() -> Ticks:
    return Ticks()


@pytest.fixture
def send(catalogue: Catalogue, other: Other, ticks: Ticks) -> Iterator[Send]:
    """Ask with a token signed by a key; the status, and how long it took."""
    settings = Settings(
        fhir_auth="jwks", oauth_issuer=s.AS, oauth_audience=s.AUDIENCE, oauth_jwks=other.url
    )
    app = create_app(settings, catalogue, clock=lambda: s.at(s.NOW), ticks=ticks)
    token = {name: s.sign(s.access_claims(), name) for name in ("es384", "next")}
    with TestClient(app) as client:

        def ask(name: str = "es384") -> tuple[int, float]:
            headers = {**FHIR, "authorization": f"Bearer {token[name]}"}
            began = time.monotonic()
            answer = client.post(ASKED, content=RECORD, headers=headers)
            if answer.status_code == 503:
                assert answer.headers["retry-after"] == "5"
                assert answer.json()["issue"][0]["code"] == "transient"
            return answer.status_code, time.monotonic() - began

        yield ask


@pytest.mark.parametrize("failure", FAILURES)
def test_before_a_set_was_read_nobody_is_let_in_and_once_it_is_there_everybody(
    send: Send, other: Other, ticks: Ticks, failure: str
) -> None:
    other.behave = FAILURES[failure]
    status, seconds = send()
    assert status == 503
    assert seconds < 3
    assert send()[0] == 503  # not asked again at once
    assert other.asked == 1
    other.behave = answers(GOOD)
    ticks.seconds += 11
    assert send()[0] == 200


@pytest.mark.parametrize("failure", FAILURES)
def test_a_set_that_was_read_serves_on_for_a_day_and_callers_wait_a_moment(
    send: Send, other: Other, ticks: Ticks, failure: str
) -> None:
    other.behave = answers(GOOD)
    assert send()[0] == 200
    other.behave = FAILURES[failure]
    ticks.seconds += KEPT + 1
    status, seconds = send()
    assert (status, other.asked) == (200, 2)
    assert seconds < 1
    assert send()[1] < 1
    ticks.seconds += 24 * 3600
    assert send()[0] == 503


def test_where_nobody_listens_it_is_the_same(send: Send, other: Other, ticks: Ticks) -> None:
    other.behave = answers(GOOD)
    assert send()[0] == 200
    other.stop()
    ticks.seconds += KEPT + 1
    assert send()[0] == 200
    assert send("next")[0] == 401
    ticks.seconds += 24 * 3600
    assert send()[0] == 503


def test_a_new_key_is_found_though_the_last_answer_was_rubbish(
    send: Send, other: Other, ticks: Ticks
) -> None:
    other.behave = answers(GOOD)
    assert send()[0] == 200
    other.behave = FAILURES["a page"]
    ticks.seconds += 11
    assert send("next")[0] == 401
    other.behave = answers(s.key_set("es384", "next"))
    ticks.seconds += 11
    assert [send("next")[0], send()[0]] == [200, 200]


def test_an_empty_set_shuts_everybody_out(send: Send, other: Other, ticks: Ticks) -> None:
    """An issuer may call back all of its keys; that is no failure."""
    other.behave = answers(GOOD)
    assert send()[0] == 200
    other.behave = answers({"keys": []})
    ticks.seconds += KEPT + 1
    assert send()[0] == 401


def test_a_key_that_is_not_understood_is_passed_over(send: Send, other: Other) -> None:
    """RFC 7517, section 5."""
    other.behave = answers({"keys": [NONSENSE, "x", {"kty": "RSA", "kid": "n"}, *GOOD["keys"]]})
    assert send()[0] == 200


def test_however_many_call_a_slow_server_is_asked_once(other: Other, ticks: Ticks) -> None:
    other.behave = says_nothing

    async def many() -> list[BaseException]:
        async with httpx.AsyncClient(trust_env=False) as client:
            source = KeySource(other.url, KEPT, client, ticks)
            calls = [source.key("es384") for _ in range(50)]
            return await asyncio.gather(*calls, return_exceptions=True)  # type: ignore[return-value]

    assert {type(one).__name__ for one in asyncio.run(many())} == {"Unavailable"}
    assert other.asked == 1
