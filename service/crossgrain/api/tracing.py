"""Traces, where the extra ``otel`` is installed and the deployer asks for them.

A span carries the route's template, the method and the status. The instrumentation that comes
with the libraries would also carry the address as sent, so it is not used. Where spans go is
said by the standard ``OTEL_`` variables.
"""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from typing import Any

Spans = Callable[[str], AbstractContextManager[Any]]
"""Begins a span of that name; what it yields takes attributes, or is ``None``."""


def no_spans(_: str) -> AbstractContextManager[Any]:
    """Where traces are off."""
    return nullcontext()


def spans() -> Spans:
    """Spans that are exported as the environment says."""
    from opentelemetry import trace  # noqa: PLC0415 - an extra
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import (  # noqa: PLC0415
        OTLPSpanExporter,
    )
    from opentelemetry.sdk.resources import Resource  # noqa: PLC0415
    from opentelemetry.sdk.trace import TracerProvider  # noqa: PLC0415
    from opentelemetry.sdk.trace.export import BatchSpanProcessor  # noqa: PLC0415

    provider = TracerProvider(resource=Resource.create({"service.name": "crossgrain"}))
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
    trace.set_tracer_provider(provider)
    return spans_of(provider)


def spans_of(provider: Any) -> Spans:
    """Spans of one provider. An exception is not recorded: its message may quote a record."""
    tracer = provider.get_tracer("crossgrain")

    def begin(name: str) -> AbstractContextManager[Any]:
        span: AbstractContextManager[Any] = tracer.start_as_current_span(
            name, record_exception=False, set_status_on_exception=False
        )
        return span

    return begin
