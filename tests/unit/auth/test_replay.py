"""The store of used tokens: when a name is forgotten, and how the shared store is spoken to."""

import asyncio
from collections.abc import Coroutine
from typing import Any

import pytest

from crossgrain.auth.callers import InMemory, InRedis
from crossgrain.auth.tokens import Unavailable

NAME = "crossgrain:jti:736d704d65b04cf2c86a7dae34bcd0da103a9d8a5cf8bb9bac22afa8b2ba67be"
"""``https://ehr.example/ a``, as coreutils' sha256sum has it."""


class Seconds:
    """A clock, or ticks, that a test sets."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds

    def __call__(self) -> float:
        return self.seconds


def test_a_name_is_forgotten_when_its_time_is_over_by_clock_and_by_ticks() -> None:
    now, ticks = Seconds(1000.0), Seconds(7.0)
    used = InMemory(now, ticks, most=1)

    def first(name: str, until: float) -> bool:
        return asyncio.run(used.first_use(name, until))

    assert first("a", 1100.0)
    for now.seconds, ticks.seconds in ((1099.0, 107.0), (1100.0, 106.0), (1099.0, 106.0)):
        assert not first("a", 1200.0)
    now.seconds, ticks.seconds = 1100.0, 107.0
    assert first("b", 1200.0)  # the one place that there is was given back


def test_what_ends_first_is_forgotten_first_in_whatever_order_it_came() -> None:
    now = Seconds(1000.0)
    used = InMemory(now, now, most=3)

    async def run() -> list[bool]:
        seen = [
            await used.first_use(name, end) for name, end in (("c", 1300), ("a", 1100), ("b", 1200))
        ]
        now.seconds = 1150.0
        return [*seen, await used.first_use("c", 1300), await used.first_use("b", 1200),
                await used.first_use("a", 1400)]  # fmt: skip

    assert asyncio.run(run()) == [True, True, True, False, False, True]


def test_a_full_memory_still_knows_what_was_used_and_takes_nothing_new() -> None:
    now = Seconds(1000.0)
    used = InMemory(now, now, most=1)

    async def run() -> bool:
        assert await used.first_use("a", 1100.0)
        again = await used.first_use("a", 1100.0)
        with pytest.raises(Unavailable):
            await used.first_use("b", 1100.0)
        return again

    assert not asyncio.run(run())


class Store:
    """A shared store that notes how it is spoken to."""

    def __init__(self, url: str, **options: float) -> None:
        self.url, self.options = url, options
        self.set_to: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
        self.answers: list[object] = [True, None]
        self.is_closed = False

    async def set(self, *arguments: Any, **options: Any) -> object:
        self.set_to.append((arguments, options))
        return self.answers.pop(0)

    async def aclose(self) -> None:
        self.is_closed = True


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> list[Store]:
    """Every store that was opened."""
    opened: list[Store] = []

    def from_url(url: str, **options: float) -> Store:
        opened.append(Store(url, **options))
        return opened[-1]

    monkeypatch.setattr("redis.asyncio.Redis.from_url", from_url)
    return opened


def done(use: Coroutine[Any, Any, Any]) -> Any:
    return asyncio.run(use)


def test_a_silent_store_holds_a_call_up_for_a_second_at_most(store: list[Store]) -> None:
    InRedis("redis://store.example", Seconds(1000.0))
    assert store[0].url == "redis://store.example"
    assert store[0].options == {"socket_timeout": 1.0, "socket_connect_timeout": 1.0}


@pytest.mark.parametrize(
    ("until", "seconds"), [(1100.0, 101), (1100.9, 101), (1000.0, 1), (999.0, 1), (900.0, 1)]
)
def test_a_name_is_kept_until_its_token_is_over_and_not_without_end(
    store: list[Store], until: float, seconds: int
) -> None:
    """A store of names that never end would fill; one that forgets early lets a token in twice."""
    used = InRedis("redis://store.example", Seconds(1000.0))
    assert done(used.first_use("https://ehr.example/ a", until)) is True
    assert store[0].set_to == [((NAME, b"1"), {"nx": True, "ex": seconds})]
    assert done(used.first_use("https://ehr.example/ a", until)) is False


def test_a_name_of_half_a_character_is_kept_as_any_other(store: list[Store]) -> None:
    """JSON can write one, and what cannot be spelt would be taken again and again, or crash."""
    used = InRedis("redis://store.example", Seconds(1000.0))
    assert done(used.first_use("https://ehr.example/ \ud800", 1100.0)) is True
    assert store[0].set_to[0][0][0] != NAME


def test_closing_lets_go_of_the_store(store: list[Store]) -> None:
    done(InRedis("redis://store.example", Seconds(1000.0)).close())
    assert store[0].is_closed
