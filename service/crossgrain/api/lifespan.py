"""From the start of a process that serves to its end."""

import gc
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import Any

from fastapi import FastAPI

from crossgrain.api.connections import BOUNDS, bounds_of
from crossgrain.api.presence import Presence
from crossgrain.api.settings import Settings

Lifespan = Callable[[FastAPI], AbstractAsyncContextManager[dict[str, Any]]]
Close = Callable[[], Awaitable[None]]


def lifespan_of(settings: Settings, presence: Presence, closing: Sequence[Close]) -> Lifespan:
    """What frames the serving; `closing` lets go of everything that is held open."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[dict[str, Any]]:
        # What is loaded by now stays: leaving it out of collection steadies the slowest requests.
        gc.collect()
        gc.freeze()
        with presence.told_by_signal():
            yield {BOUNDS: bounds_of(settings)}
        for close in closing:
            await close()
        for handler in logging.getLogger().handlers:
            handler.flush()

    return lifespan
