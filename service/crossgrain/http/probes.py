"""A serving process from start to end, and how it is watched: probes, counts, times, traces.

A span carries the route's template, the method and the status. The instrumentation that comes
with the libraries would also carry the address as sent, so it is not used. Where spans go is
said by the standard ``OTEL_`` variables.

Told to stop, it first says so, then lets no more in: a load balancer learns of a stop by asking
``/readyz``. Were the door shut at once, whatever it still sends would be refused.
"""

import asyncio
import gc
import logging
import os
import signal
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import (
    AbstractAsyncContextManager,
    AbstractContextManager,
    asynccontextmanager,
    contextmanager,
    nullcontext,
)
from pathlib import Path
from types import FrameType
from typing import Any

from fastapi import FastAPI
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response

from crossgrain import __version__
from crossgrain.http.routes import add_untold
from crossgrain.operations.faults import Fault, refusal

CONTENT_TYPE = CONTENT_TYPE_LATEST
_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0)


class Metrics:
    """One set per app. With ``PROMETHEUS_MULTIPROC_DIR`` all workers are added up."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self.requests = Counter(
            "crossgrain_requests",
            "Requests by route template, method and status.",
            ("route", "method", "status"),
            registry=self._registry,
        )
        self.seconds = Histogram(
            "crossgrain_request_seconds",
            "Time from the request's arrival to the end of its answer.",
            ("route",),
            buckets=_SECONDS,
            registry=self._registry,
        )
        self.in_flight = Gauge(
            "crossgrain_requests_in_flight",
            "Requests under way.",
            multiprocess_mode="livesum",
            registry=self._registry,
        )
        self.cards = Counter(
            "crossgrain_cds_cards",
            "CDS Hooks calls by hook and by the indicator of their card, or none.",
            ("hook", "indicator"),
            registry=self._registry,
        )
        self.feedback = Counter(
            "crossgrain_cds_feedback",
            "What became of cards.",
            ("service", "outcome", "reason"),
            registry=self._registry,
        )

    def page(self) -> bytes:
        """Everything, in Prometheus' text form."""
        if "PROMETHEUS_MULTIPROC_DIR" not in os.environ:
            return generate_latest(self._registry)
        _forget_the_dead(Path(os.environ["PROMETHEUS_MULTIPROC_DIR"]))
        together = CollectorRegistry()
        MultiProcessCollector(together)  # type: ignore[no-untyped-call]
        return generate_latest(together)


def _forget_the_dead(folder: Path) -> None:
    """What a worker had under way when it was killed is under way no more."""
    for pid in {int(path.stem.rpartition("_")[2]) for path in folder.glob("gauge_live*_*.db")}:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            mark_process_dead(pid)  # type: ignore[no-untyped-call]
        except PermissionError:
            continue  # it lives, as somebody else


_SECONDS_AT_THE_END = 2.0
Spans = Callable[[str], AbstractContextManager[Any]]
"""Begins a span of that name; what it yields takes attributes, or is ``None``."""


def no_spans(_: str) -> AbstractContextManager[Any]:
    """Where traces are off."""
    return nullcontext()


class Traces:
    """Spans and their end.

    Parameters
    ----------
    begin : begins a span
    end : exports what has not been exported yet, which may take as long as a collector likes
    """

    def __init__(self, begin: Spans = no_spans, end: Callable[[], None] | None = None) -> None:
        self.begin = begin
        self._end = end

    async def close(self) -> None:
        """Export what is left, but wait no longer for it than a moment."""
        if self._end is not None:
            ending = threading.Thread(target=self._end, name="last spans", daemon=True)
            ending.start()
            ending.join(_SECONDS_AT_THE_END)


def exported() -> Traces:
    """Spans that are exported as the environment says."""
    from opentelemetry import trace  # noqa: PLC0415 - an extra
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import (  # noqa: PLC0415
        OTLPSpanExporter,
    )
    from opentelemetry.sdk.resources import Resource  # noqa: PLC0415
    from opentelemetry.sdk.trace import TracerProvider  # noqa: PLC0415
    from opentelemetry.sdk.trace.export import BatchSpanProcessor  # noqa: PLC0415

    named = Resource.create({"service.name": "crossgrain"})
    provider = TracerProvider(resource=named, shutdown_on_exit=False)
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
    trace.set_tracer_provider(provider)
    return Traces(spans_of(provider), provider.shutdown)


def spans_of(provider: Any) -> Spans:
    """Spans of one provider. An exception is not recorded: its message may quote a record."""
    tracer = provider.get_tracer("crossgrain")

    def begin(name: str) -> AbstractContextManager[Any]:
        span: AbstractContextManager[Any] = tracer.start_as_current_span(
            name, record_exception=False, set_status_on_exception=False
        )
        return span

    return begin


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
        "/metrics",
        page,
        methods=["GET"],
        response_class=PlainTextResponse,
        operation_id="metrics",
        tags=["Probes and metrics"],
    )


def add_probes(app: FastAPI, presence: Presence) -> None:
    """Add ``/livez`` and ``/readyz``."""

    async def livez(request: Request) -> Response:
        """The process runs."""
        return JSONResponse(LIVE)

    async def readyz(request: Request) -> Response:
        """The data files were read and found sound, and requests are served."""
        if presence.leaving:
            raise refusal(Fault.NOT_READY, None, "the service was told to stop")
        return JSONResponse(READY)

    for path, probe in (("/livez", livez), ("/readyz", readyz)):
        own_id = path.strip("/")
        app.add_api_route(
            path, probe, methods=["GET"], operation_id=own_id, tags=["Probes and metrics"]
        )
        add_untold(app, path, probe, "HEAD")


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
        gc.set_threshold(*_COLLECT_AFTER)
        with presence.told_by_signal():
            yield
        for close in closing:
            await close()
        for handler in logging.getLogger().handlers:
            handler.flush()

    return lifespan
