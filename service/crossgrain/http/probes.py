"""A process that serves from its start to its end, and what watches it: probes and counts.

Told to stop, it first says so, then lets no more in: a load balancer learns of a stop by asking
``/readyz``. Were the door shut at once, whatever it still sends would be refused.
"""

import asyncio
import gc
import logging
import signal
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from types import FrameType

from fastapi import FastAPI
from starlette.responses import JSONResponse, PlainTextResponse, Response

from crossgrain import __version__
from crossgrain.http.metrics import CONTENT_TYPE, Metrics
from crossgrain.operations.faults import Fault, refusal


class Presence:
    """Here, until told to stop; every answer after that asks for the connection to be closed.

    Parameters
    ----------
    seconds : between being told and letting no more in; told a second time, it waits no longer
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self.leaving = False

    @contextmanager
    def told_by_signal(self) -> Iterator[None]:
        """Stand before the server's own handling of SIGTERM, where there is one."""
        stop = signal.getsignal(signal.SIGTERM)
        if threading.current_thread() is not threading.main_thread() or not callable(stop):
            yield
            return
        loop = asyncio.get_running_loop()

        def told(number: int, frame: FrameType | None) -> None:
            if self.leaving:
                stop(number, frame)
                return
            self.leaving = True
            loop.call_soon_threadsafe(loop.call_later, self._seconds, stop, number, None)

        signal.signal(signal.SIGTERM, told)
        try:
            yield
        finally:
            signal.signal(signal.SIGTERM, stop)


LIVE = {"status": "live"}
READY = {"status": "ready", "version": __version__}


def add_metrics(app: FastAPI, metrics: Metrics) -> None:
    """Add ``/metrics``."""

    async def page() -> Response:
        """Counts and times in Prometheus' text form; of no patient."""
        return Response(metrics.page(), media_type=CONTENT_TYPE)

    app.add_api_route(
        "/metrics", page, methods=["GET"], response_class=PlainTextResponse, tags=["operations"]
    )


def add_probes(app: FastAPI, presence: Presence) -> None:
    """Add ``/livez`` and ``/readyz``."""

    async def livez() -> Response:
        """The process runs."""
        return JSONResponse(LIVE)

    async def readyz() -> Response:
        """The data files were read and found sound, and requests are served."""
        if presence.leaving:
            raise refusal(Fault.NOT_READY, None, "the service was told to stop")
        return JSONResponse(READY)

    for path, probe in (("/livez", livez), ("/readyz", readyz)):
        app.add_api_route(path, probe, methods=["GET"], tags=["operations"])
        app.add_api_route(path, probe, methods=["HEAD"], include_in_schema=False)


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
