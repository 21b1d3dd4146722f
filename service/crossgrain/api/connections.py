"""One caller's connection: how long it may take, and which one must go where there are too many.

The server below bounds how long a connection may be idle after an answer. It bounds neither how
long the head of a request takes to arrive nor how large it grows, nor how long an answer takes to
be read; each would let a caller who has gone, or who means harm, hold a connection for ever.
"""

import asyncio
import resource
from dataclasses import dataclass
from itertools import count
from typing import Any

from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol

from crossgrain.api.faults import Fault, refusal
from crossgrain.api.requests import refuse
from crossgrain.api.settings import Settings

BOUNDS = "bounds"
"""Where the app's state holds the bounds of its connections."""
_FILES_OF_OUR_OWN = 64
_MOST_SECONDS_BETWEEN_LOOKS = 1.0


@dataclass(frozen=True, slots=True)
class Bounds:
    """How patient a connection is.

    Attributes
    ----------
    header_seconds : for the head of a request, from its first byte or the connection's beginning
    answer_seconds : for an answer to be read
    header_bytes : of a head that has not ended yet
    connections : at once; beyond that the one that has been idle the longest is closed
    """

    header_seconds: float = 10.0
    answer_seconds: float = 30.0
    header_bytes: int = 16 * 1024
    connections: int = 1000


def bounds_of(settings: Settings) -> Bounds:
    """The deployment's, with no more connections than this process may open files for."""
    open_files = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return Bounds(
        header_seconds=settings.header_seconds,
        answer_seconds=settings.answer_seconds,
        header_bytes=settings.max_header_bytes,
        connections=max(1, min(settings.max_connections, open_files - _FILES_OF_OUR_OWN)),
    )


_PLACES = count()
"""In which order connections fell idle: the loop's clock is too coarse to tell."""


class Connection(HttpToolsProtocol):
    """HTTP/1.1, within bounds."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._bounds: Bounds = self.app_state.get(BOUNDS, Bounds())
        self._head_since: float | None = None
        self._head_bytes = 0
        self._unread_since: float | None = None
        self._idle_place = 0
        self._next_look: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._idle_place = next(_PLACES)
        self._head_since = self.loop.time()
        self._look_later()
        if len(self.connections) > self._bounds.connections:
            longest = min(self._others_idle(), key=lambda other: other._idle_place, default=self)
            longest.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing any more."""
        if self._next_look is not None:
            self._next_look.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came; what is no request yet is given only so much time and room."""
        if self._head_since is None and self._is_idle:
            self._head_since = self.loop.time()
        if self._head_since is not None:
            self._head_bytes += len(data)
        super().data_received(data)
        if self._head_since is not None and self._head_bytes > self._bounds.header_bytes:
            self._refuse(Fault.HEADERS_TOO_LARGE, "the request's headers are too large")

    def on_headers_complete(self) -> None:
        """The head is there."""
        self._head_since = None
        self._head_bytes = 0
        super().on_headers_complete()

    def on_response_complete(self) -> None:
        """The answer is written, though perhaps not read."""
        self._unread_since = None
        self._idle_place = next(_PLACES)
        super().on_response_complete()

    def send_400_response(self, msg: str) -> None:
        """What cannot be read as HTTP is refused as everything is."""
        self._refuse(Fault.INPUT_SHAPE, "this is no HTTP request")

    @property
    def _is_idle(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    @property
    def _awaits_head(self) -> bool:
        """Whether no earlier request is outstanding: an answer would be taken for its."""
        return self.cycle is None or (self.cycle.response_complete and not self.cycle.more_body)

    def _others_idle(self) -> "list[Connection]":
        return [
            other
            for other in self.connections
            if isinstance(other, Connection)
            and other is not self
            and other._is_idle
            and not other.transport.is_closing()
        ]

    def _look_later(self) -> None:
        shortest = min(self._bounds.header_seconds, self._bounds.answer_seconds) / 4
        self._next_look = self.loop.call_later(
            min(shortest, _MOST_SECONDS_BETWEEN_LOOKS), self._look
        )

    def _look(self) -> None:
        """Whether the caller has taken too long; again and again until the connection ends."""
        now = self.loop.time()
        if self._is_unread(now):
            self.transport.abort()
        elif self._head_since is not None and now - self._head_since > self._bounds.header_seconds:
            self._refuse(Fault.TOO_SLOW, "the request's head did not arrive in time")
        self._look_later()

    def _is_unread(self, now: float) -> bool:
        if not self.transport.get_write_buffer_size():
            self._unread_since = None
        elif self._unread_since is None:
            self._unread_since = now
        return self._unread_since is not None and (
            now - self._unread_since > self._bounds.answer_seconds
        )

    def _refuse(self, fault: Fault, words: str) -> None:
        """Answer without the app, which was never called, and close."""
        self._head_since = None
        if self.transport.is_closing():
            return
        if self._head_bytes and self._awaits_head:
            answer = refuse(refusal(fault, None, words), {"Connection": "close"})
            head = [b"%s: %s\r\n" % (name, value) for name, value in answer.raw_headers]
            self.transport.write(
                b"".join([STATUS_LINE[answer.status_code], *head, b"\r\n", answer.body])
            )
        self.transport.close()
