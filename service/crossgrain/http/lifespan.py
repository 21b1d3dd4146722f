"""From the start of a process that serves to its end."""

import gc
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager

from fastapi import FastAPI

from crossgrain.http.probes import Presence

Lifespan = Callable[[FastAPI], AbstractAsyncContextManager[None]]
Close = Callable[[], Awaitable[None]]

_COLLECT_AFTER = (50_000, 20, 50)
"""New objects, collections of young ones and of older ones until the next generation is searched.

What a proposal makes goes when it is answered: it holds no cycles. A long record is more new
objects than the interpreter's own 700, 10 and 10 have in mind; with a thousand plans kept, each
such record then paid for a search through all of them (250 resources: 19 ms instead of 9).
"""


def lifespan_of(presence: Presence, closing: Sequence[Close]) -> Lifespan:
    """What frames the serving; `closing` lets go of everything that is held open."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        # What is loaded by now stays: leaving it out of collection steadies the slowest requests.
        gc.collect()
        gc.freeze()
        gc.set_threshold(*_COLLECT_AFTER)
        with presence.told_by_signal():
            yield
        for close in closing:
            await close()
        for handler in logging.getLogger().handlers:
            handler.flush()

    return lifespan
