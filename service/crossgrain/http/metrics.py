"""Counts, times and traces of requests: by route template, never by address, and of no patient.

A span carries the route's template, the method and the status. The instrumentation that comes
with the libraries would also carry the address as sent, so it is not used. Where spans go is
said by the standard ``OTEL_`` variables.
"""

import os
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead

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
