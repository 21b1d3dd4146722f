"""Traces, where the extra ``otel`` is installed and the deployer asks for them.

A span carries the route's template, the method and the status. The instrumentation that comes
with the libraries would also carry the address as sent, so it is not used. Where spans go is
said by the standard ``OTEL_`` variables.
"""

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from typing import Any

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
