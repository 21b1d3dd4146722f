"""Used tokens are remembered: by one process, or by all replicas through a shared store."""

import asyncio

import fakeredis
import pytest

from crossgrain.auth import callers as replay
from crossgrain.auth.callers import InMemory, InRedis
from crossgrain.auth.tokens import Unavailable


class Time:
    seconds = 1000.0

    def __call__(self) -> float:
        return self.seconds


def test_a_name_is_new_once_until_it_is_over() -> None:
    time = Time()
    used = InMemory(time, time)

    async def use(name: str, until: float) -> bool:
        return await used.first_use(name, until)

    assert asyncio.run(use("a", 1100.0))
    assert not asyncio.run(use("a", 1100.0))
    assert asyncio.run(use("b", 1100.0))
    time.seconds = 1101.0
    assert asyncio.run(use("a", 1200.0))


def test_memory_is_bounded_and_full_is_closed() -> None:
    used = InMemory(Time(), Time(), most=2)

    async def fill() -> None:
        await used.first_use("a", 1100.0)
        await used.first_use("b", 1100.0)
        await used.first_use("c", 1100.0)

    with pytest.raises(Unavailable):
        asyncio.run(fill())


@pytest.fixture
def shared(monkeypatch: pytest.MonkeyPatch) -> fakeredis.FakeServer:
    """A store that two replicas reach by one address."""
    server = fakeredis.FakeServer()

    def from_url(url: str, **_: float) -> fakeredis.FakeAsyncRedis:
        assert url == "redis://store.example"
        return fakeredis.FakeAsyncRedis(server=server)

    monkeypatch.setattr("redis.asyncio.Redis.from_url", from_url)
    return server


def test_what_one_replica_has_seen_another_refuses(shared: fakeredis.FakeServer) -> None:
    async def both() -> list[bool]:
        one, two = (InRedis("redis://store.example", Time()) for _ in range(2))
        seen = [
            await one.first_use("https://ehr.example/ a", 1100.0),
            await two.first_use("https://ehr.example/ a", 1100.0),
            await two.first_use("https://ehr.example/ b", 1100.0),
        ]
        await one.close()
        await two.close()
        return seen

    assert asyncio.run(both()) == [True, False, True]


def test_the_store_forgets_a_token_that_is_over_and_never_holds_its_name(
    shared: fakeredis.FakeServer,
) -> None:
    async def life() -> tuple[int, list[bytes]]:
        used = InRedis("redis://store.example", Time())
        await used.first_use("https://ehr.example/ Zz9marked", 1100.0)
        store = fakeredis.FakeAsyncRedis(server=shared)
        (key,) = await store.keys("*")
        return await store.ttl(key), [key]

    seconds, (key,) = asyncio.run(life())
    assert 100 <= seconds <= 102
    assert b"marked" not in key


def test_without_the_store_no_token_is_taken(shared: fakeredis.FakeServer) -> None:
    shared.connected = False

    async def use() -> bool:
        return await InRedis("redis://store.example", Time()).first_use("a", 1100.0)

    with pytest.raises(Unavailable):
        asyncio.run(use())


def test_the_bound_is_generous() -> None:
    # 300 s of life at 500 calls a second
    assert replay.MOST_KEPT >= 150_000
