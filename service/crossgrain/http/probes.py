"""What watches the process may ask: does it live, is it ready, what has it counted.

Told to stop, it first says so, then lets no more in.

A load balancer learns of a stop by asking ``/readyz``. Were the door shut at once, whatever it
still sends would be refused.
"""

import asyncio
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
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
