"""The keys of an issuer: where they are read, how long they are kept, how often asked for."""

import asyncio
import gc
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from joserfc.jwk import Key
from tests.api import signing as s

from crossgrain.auth.tokens import KeySource, NotKnown, Unavailable

URL = "https://ehr.example/jwks"
DAY = 24 * 3600.0
KEPT = 300.0


class Issuer:
    """Publishes keys; notes each request."""

    def __init__(self) -> None:
        self.asked: list[httpx.Request] = []
        self.answer: Callable[[], httpx.Response] = published("es384")
        self.silent = False

    async def __call__(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request)
        if self.silent:
            await asyncio.sleep(60)
        return self.answer()


def published(*names: str, status: int = 200) -> Callable[[], httpx.Response]:
    """An answer that holds these keys."""
    return lambda: httpx.Response(status, json=s.key_set(*names))


class Seconds:
    """Ticks that a test moves."""

    passed = 1000.0

    def __call__(self) -> float:
        return self.passed


@pytest.fixture
def issuer() -> Issuer:
    return Issuer()


@pytest.fixture
def seconds() -> Seconds:
    return Seconds()


@pytest.fixture
def source(issuer: Issuer, seconds: Seconds) -> KeySource:
    return source_at(URL, issuer, seconds)


def source_at(location: str, issuer: Issuer, seconds: Seconds, kept: float = KEPT) -> KeySource:
    client = httpx.AsyncClient(transport=httpx.MockTransport(issuer))
    return KeySource(location, kept, client, seconds)


def got(source: KeySource, *names: str) -> list[str]:
    """What becomes of asking for these keys, one after the other."""

    async def run() -> list[str]:
        return [await _got(source, name) for name in names]

    return asyncio.run(run())


async def _got(source: KeySource, name: str) -> str:
    try:
        key = await source.key(name)
    except (NotKnown, Unavailable) as refused:
        return type(refused).__name__
    return "key" if key.as_dict(private=False).get("kid") == name else "another key"


@pytest.mark.parametrize("scheme", ["http", "https"])
def test_a_set_at_an_address_is_got(issuer: Issuer, seconds: Seconds, scheme: str) -> None:
    source = source_at(f"{scheme}://ehr.example/jwks", issuer, seconds)
    assert got(source, "es384") == ["key"]
    (request,) = issuer.asked
    assert (request.method, str(request.url)) == ("GET", f"{scheme}://ehr.example/jwks")


def test_a_set_in_a_file_is_read_there(issuer: Issuer, seconds: Seconds, tmp_path: Path) -> None:
    file = tmp_path / "keys.json"
    file.write_text(json.dumps(s.key_set("es384")))
    assert got(source_at(str(file), issuer, seconds), "es384", "rs384") == ["key", "NotKnown"]
    assert issuer.asked == []


@pytest.mark.parametrize("status", [199 + 2, 204, 301, 404, 500])
def test_keys_under_another_status_than_200_are_none(
    issuer: Issuer, source: KeySource, status: int
) -> None:
    issuer.answer = published("es384", status=status)
    assert got(source, "es384") == ["Unavailable"]


@pytest.mark.parametrize("document", [[], {}, {"keys": None}, {"keys": {}}, "keys", None, 5])
def test_what_is_no_key_set_is_a_failure_without_a_traceback_and_the_last_set_serves_on(
    issuer: Issuer,
    source: KeySource,
    seconds: Seconds,
    caplog: pytest.LogCaptureFixture,
    document: Any,
) -> None:
    assert got(source, "es384") == ["key"]
    issuer.answer = lambda: httpx.Response(200, json=document)
    seconds.passed += KEPT
    assert got(source, "es384") == ["key"]
    assert len(issuer.asked) == 2
    gc.collect()  # a task that failed says so when it is forgotten
    assert [record for record in caplog.records if record.levelname == "ERROR"] == []


@pytest.mark.parametrize(("later", "asked"), [(KEPT - 1, 1), (KEPT, 2), (KEPT + 1, 2)])
def test_a_set_is_kept_for_as_long_as_is_set(
    issuer: Issuer, source: KeySource, seconds: Seconds, later: float, asked: int
) -> None:
    got(source, "es384")
    seconds.passed += later
    assert got(source, "es384") == ["key"]
    assert len(issuer.asked) == asked


@pytest.mark.parametrize(("later", "asked"), [(0, 1), (9, 1), (10, 2), (11, 2)])
def test_made_up_key_ids_make_a_set_be_read_every_ten_seconds_at_most(
    issuer: Issuer, source: KeySource, seconds: Seconds, later: float, asked: int
) -> None:
    got(source, "es384")
    seconds.passed += later
    assert got(source, "none", "nor this", "none") == ["NotKnown"] * 3
    assert len(issuer.asked) == asked


@pytest.mark.parametrize(("later", "asked"), [(3, 1), (4, 2)])
def test_a_set_that_is_kept_for_less_is_read_as_often_as_that(
    issuer: Issuer, seconds: Seconds, later: float, asked: int
) -> None:
    source = source_at(URL, issuer, seconds, kept=4.0)
    got(source, "es384")
    seconds.passed += later
    got(source, "es384")
    assert len(issuer.asked) == asked


@pytest.mark.parametrize(
    ("later", "outcome"), [(DAY - 1, "key"), (DAY, "key"), (DAY + 1, "Unavailable")]
)
def test_the_last_set_serves_for_a_day(
    issuer: Issuer, source: KeySource, seconds: Seconds, later: float, outcome: str
) -> None:
    got(source, "es384")
    issuer.answer = published(status=500)
    seconds.passed += later
    assert got(source, "es384") == [outcome]


def test_within_that_day_a_stranger_is_a_stranger_and_after_it_nobody_can_be_told(
    issuer: Issuer, source: KeySource, seconds: Seconds
) -> None:
    got(source, "es384")
    issuer.answer = published(status=500)
    seconds.passed += DAY
    assert got(source, "none") == ["NotKnown"]
    seconds.passed += 11
    assert got(source, "none") == ["Unavailable"]


def test_a_key_that_was_taken_back_is_gone_when_the_set_is_read_again(
    issuer: Issuer, source: KeySource, seconds: Seconds
) -> None:
    got(source, "es384")
    issuer.answer = published("next")
    seconds.passed += KEPT
    assert got(source, "next", "es384") == ["key", "NotKnown"]


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> list[float | None]:
    """How long callers are ready to wait for the set; nobody waits for it here."""
    ready: list[float | None] = []
    wait = asyncio.wait

    async def noting(tasks: set[asyncio.Task[None]], *, timeout: float | None) -> Any:
        ready.append(timeout)
        return await wait(tasks, timeout=0.0)

    monkeypatch.setattr(asyncio, "wait", noting)
    return ready


def asked_while_silent(source: KeySource, *names: str) -> list[str]:
    async def run() -> list[str]:
        outcomes = [await _got(source, name) for name in names]
        await source.close()
        return outcomes

    return asyncio.run(run())


def test_while_the_issuer_is_slow_a_known_key_waits_a_moment_and_a_new_one_for_the_answer(
    issuer: Issuer, source: KeySource, seconds: Seconds, waits: list[float | None]
) -> None:
    """A caller of long standing must not hang on a server that it does not know."""
    got(source, "es384")
    issuer.silent = True
    seconds.passed += KEPT
    waits.clear()
    assert asked_while_silent(source, "es384", "next") == ["key", "NotKnown"]
    assert waits == [0.25, None]


@pytest.mark.parametrize(
    ("old", "outcome", "ready"), [(DAY, "key", 0.25), (DAY + 1, "Unavailable", None)]
)
def test_a_set_too_old_to_serve_is_waited_for(
    issuer: Issuer,
    source: KeySource,
    seconds: Seconds,
    waits: list[float | None],
    old: float,
    outcome: str,
    ready: float | None,
) -> None:
    got(source, "es384")
    issuer.silent = True
    seconds.passed += old
    waits.clear()
    assert asked_while_silent(source, "es384") == [outcome]
    assert waits == [ready]


def test_who_comes_when_the_moment_is_over_does_not_wait_at_all(
    issuer: Issuer, source: KeySource, seconds: Seconds, waits: list[float | None]
) -> None:
    async def run() -> None:
        issuer.silent = True
        seconds.passed += KEPT
        for later in (0.0, 0.15, 0.1, 5.0):
            seconds.passed += later
            assert await _got(source, "es384") == "key"
        await source.close()

    got(source, "es384")
    waits.clear()
    asyncio.run(run())
    assert waits == [0.25, pytest.approx(0.1), pytest.approx(0.0), 0.0]
    assert len(issuer.asked) == 2


def test_all_who_wait_share_one_answer(issuer: Issuer, source: KeySource) -> None:
    async def run() -> list[str]:
        return await asyncio.gather(*(_got(source, "es384") for _ in range(20)))

    assert asyncio.run(run()) == ["key"] * 20
    assert len(issuer.asked) == 1


def test_closing_gives_up_what_is_waited_for(issuer: Issuer, source: KeySource) -> None:
    async def run() -> bool:
        issuer.silent = True
        waiting = asyncio.create_task(source.key("es384"))
        await asyncio.sleep(0.01)
        (reading,) = asyncio.all_tasks() - {asyncio.current_task(), waiting}
        await source.close()
        await asyncio.wait({waiting}, timeout=1)
        return reading.cancelled()

    assert asyncio.run(run())


def test_closing_with_nothing_under_way_is_nothing(source: KeySource) -> None:
    asyncio.run(source.close())


def keys_of(source: KeySource, names: Iterable[str]) -> list[Key]:
    async def run() -> list[Key]:
        return [await source.key(name) for name in names]

    return asyncio.run(run())


def test_of_a_key_that_was_published_whole_the_public_half_alone_is_held(
    issuer: Issuer, source: KeySource
) -> None:
    """An issuer's slip must not put its private key into the memory of all who trust it."""
    whole = [s.KEYS[name].as_dict(private=True) for name in ("es384", "rs384", "ed")]
    assert all("d" in key for key in whole)
    issuer.answer = lambda: httpx.Response(200, json={"keys": whole})
    for key in keys_of(source, ("es384", "rs384", "ed")):
        assert not key.is_private
        private = {"d", "p", "q", "dp", "dq", "qi", "oth"}
        assert not private & set(key.as_dict())


UNUSABLE: dict[str, Any] = {
    "a shared secret": {
        "kty": "oct",
        "kid": "odd",
        "k": "MDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAw",
    },
    "an unknown kind": {"kty": "AKP", "kid": "odd"},
    "no kind": {"kid": "odd"},
    "an unknown curve": {"kty": "EC", "kid": "odd", "crv": "P-999", "x": "AA", "y": "AA"},
    "parts that are numbers": {"kty": "RSA", "kid": "odd", "n": 5, "e": 3},
    "parts that are missing": {"kty": "OKP", "kid": "odd"},
    "no id": {"kty": "EC"},
    "an empty id": s.KEYS["p256"].as_dict(private=False) | {"kid": ""},
    "an id that is a number": s.KEYS["p256"].as_dict(private=False) | {"kid": 5},
    "a text": "key",
    "nothing": None,
    "a list": [],
}


@pytest.mark.parametrize("unusable", UNUSABLE)
def test_a_key_that_cannot_be_used_is_passed_over_and_its_neighbours_serve(
    issuer: Issuer, source: KeySource, unusable: str
) -> None:
    """RFC 7517, section 5."""
    keys = [UNUSABLE[unusable], *s.key_set("es384")["keys"]]
    issuer.answer = lambda: httpx.Response(200, json={"keys": keys})
    assert got(source, "es384", "odd", "") == ["key", "NotKnown", "NotKnown"]
