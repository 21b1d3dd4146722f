"""One caller's connection: how long it may take, what is refused before the app is asked.

The server below bounds how long a connection may be idle after an answer. It bounds neither how
long the head of a request takes to arrive nor how large it grows, nor how long an answer takes to
be read; each would let a caller who has gone, or who means harm, hold a connection for ever. It
also closes without a word on much that is no request, loses the body of one that offers another
protocol, and may reset a connection before its refusal is read.
"""

import asyncio
import resource
from itertools import count
from typing import Any

import httptools
from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol

from crossgrain.http.requests import refuse
from crossgrain.names.values import frozen
from crossgrain.operations.faults import Fault, refusal

_FILES_OF_OUR_OWN = 64
_MOST_SECONDS_BETWEEN_LOOKS = 1.0
_SECONDS_TO_READ_A_REFUSAL = 1.0


@frozen
class Bounds:
    """How patient a connection is. Not for a deployment to set: a proxy in front may be stricter.

    Attributes
    ----------
    header_seconds : for the head of a request, from its first byte or the connection's beginning
    idle_seconds : between two requests; longer than a proxy keeps an idle connection open
    answer_seconds : for an answer to be read
    header_bytes : of a head
    connections : at once; beyond that the one that has been idle the longest is closed
    """

    header_seconds: float = 10.0
    idle_seconds: int = 75
    answer_seconds: float = 30.0
    header_bytes: int = 16 * 1024
    connections: int = 1000


BOUNDS = Bounds()


def _most_connections() -> int:
    """No more than this process may open files for."""
    open_files = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return max(1, min(BOUNDS.connections, open_files - _FILES_OF_OUR_OWN))


_PLACES = count()
"""In which order connections fell idle: the loop's clock is too coarse to tell."""


class _Unfit(Exception):
    """A head that is whole, and is refused: for which fault, in which words of its own."""

    def __init__(self, fault: Fault, words: str | None = None) -> None:
        super().__init__(fault)
        self.fault = fault
        self.words = words


class Connection(HttpToolsProtocol):
    """HTTP/1.1, within bounds."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._head_since: float | None = None
        self._head_bytes = 0
        self._unread_since: float | None = None
        self._idle_place = 0
        self._next_look: asyncio.TimerHandle | None = None
        self._is_deaf = False
        self.url = b""
        self._refusal_due: tuple[Fault, str | None] | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._idle_place = next(_PLACES)
        self._head_since = self.loop.time()
        self._look_later()
        if len(self.connections) > _most_connections():
            longest = min(self._others_idle(), key=lambda other: other._idle_place, default=self)
            longest.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing any more."""
        if self._next_look is not None:
            self._next_look.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came; what is no request yet is given only so much time and room."""
        if self._is_deaf:
            return
        self._unset_keepalive_if_required()
        if self._head_since is None and self._is_idle:
            self._head_since = self.loop.time()
        if self._head_since is not None:
            self._head_bytes += len(data)
        self._feed(data)
        if self._head_since is not None and self._head_bytes > BOUNDS.header_bytes:
            self._refuse(self._too_large())

    def _feed(self, data: bytes) -> None:
        try:
            self.parser.feed_data(data)
        except httptools.HttpParserUpgrade as offered:
            self._stay_with_http(data[offered.args[0] :])
        except httptools.HttpParserError as wrong:
            cause = wrong.__context__
            if isinstance(cause, _Unfit):
                self._refuse(cause.fault, cause.words)
            else:
                self._refuse(Fault.INPUT_SHAPE, "this is no HTTP request")

    def _stay_with_http(self, rest: bytes) -> None:
        """Read the request as if no other protocol were offered, which RFC 9110, 7.8, allows.

        What reads HTTP would take the body for the other protocol's: a plan's record was lost.
        """
        head = [self.parser.get_method(), b" ", self.url, b" HTTP/"]
        head += [self.parser.get_http_version().encode(), b"\r\n"]
        for name, value in self.headers:
            kept = _without_upgrade(value) if name == b"connection" else value
            head += [] if name == b"upgrade" else [name, b": ", kept, b"\r\n"]
        self.parser = httptools.HttpRequestParser(self)
        self.parser.set_dangerous_leniencies(lenient_data_after_close=True)
        self._feed(b"".join([*head, b"\r\n", rest]))

    def on_headers_complete(self) -> None:
        """The head is there: it is the app's from here, if it is fit for it."""
        self._check_head()
        if self.parser.should_upgrade():
            return
        super().on_headers_complete()
        self._head_since = None
        self._head_bytes = 0

    def on_message_complete(self) -> None:
        """The body is there, unless the request is to be read again."""
        if not self.parser.should_upgrade():
            super().on_message_complete()

    def _check_head(self) -> None:
        """Refuse what the app would never see, or would see wrongly (RFC 9112, 3.2 and 6)."""
        size = len(self.url) + sum(len(name) + len(value) for name, value in self.headers)
        if size > BOUNDS.header_bytes:
            raise _Unfit(self._too_large())
        if self.parser.get_method() == b"CONNECT":
            raise _Unfit(Fault.INPUT_SHAPE, "this is no proxy: it opens no connection to another")
        hosts = sum(name == b"host" for name, _ in self.headers)
        if hosts > 1 or (not hosts and self.parser.get_http_version() == "1.1"):
            raise _Unfit(Fault.INPUT_SHAPE, "a request names one host")
        codings = [value.lower() for name, value in self.headers if name == b"transfer-encoding"]
        if codings and codings != [b"chunked"]:
            raise _Unfit(Fault.TRANSFER_CODING)

    def _too_large(self) -> Fault:
        """The address is to blame where it is the greater part."""
        if len(self.url) > BOUNDS.header_bytes // 2:
            return Fault.TARGET_TOO_LONG
        return Fault.HEADERS_TOO_LARGE

    def on_response_complete(self) -> None:
        """The answer is written, though perhaps not read."""
        self._unread_since = None
        self._idle_place = next(_PLACES)
        is_last = not self.pipeline
        super().on_response_complete()
        if self._refusal_due is not None and is_last and not self.transport.is_closing():
            self._say(*self._refusal_due)

    @property
    def _is_idle(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

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
        shortest = min(BOUNDS.header_seconds, BOUNDS.answer_seconds) / 4
        self._next_look = self.loop.call_later(
            min(shortest, _MOST_SECONDS_BETWEEN_LOOKS), self._look
        )

    def _look(self) -> None:
        """Whether the caller has taken too long; again and again until the connection ends."""
        now = self.loop.time()
        if self._is_unread(now):
            self.transport.abort()
        elif self._head_since is not None and now - self._head_since > BOUNDS.header_seconds:
            self._refuse(Fault.TOO_SLOW, "the request's head did not arrive in time")
        self._look_later()

    def _is_unread(self, now: float) -> bool:
        if not self.transport.get_write_buffer_size():
            self._unread_since = None
        elif self._unread_since is None:
            self._unread_since = now
        return self._unread_since is not None and (now - self._unread_since > BOUNDS.answer_seconds)

    def _refuse(self, fault: Fault, words: str | None = None) -> None:
        """Answer without the app, in the request's turn, and hear no more on this connection."""
        self._head_since = None
        if self._is_deaf or self.transport.is_closing():
            return
        self._is_deaf = True
        broken = self.cycle if self.cycle is not None and self.cycle.more_body else None
        if broken is not None and broken.response_complete:
            self._close_in_time()
        elif broken is not None and broken.response_started:
            broken.keep_alive = False
        elif broken is not None and not self.pipeline:
            broken.disconnected = True
            broken.message_event.set()
            self._say(fault, words)
        elif not self._is_idle:  # an answer now would be taken for an earlier request's
            if broken is not None:
                self.pipeline.popleft()
            self._refusal_due = fault, words
        elif self._head_bytes:
            self._say(fault, words)
        else:
            self.transport.close()

    def _say(self, fault: Fault, words: str | None) -> None:
        self._refusal_due = None
        headers = {"Connection": "close", "Cache-Control": "no-store"}
        answer = refuse(refusal(fault, None, words), headers)
        head = [b"%s: %s\r\n" % (name, value) for name, value in answer.raw_headers]
        body = b"" if self.parser.get_method() == b"HEAD" else answer.body
        self.transport.write(b"".join([STATUS_LINE[answer.status_code], *head, b"\r\n", body]))
        self._close_in_time()

    def _close_in_time(self) -> None:
        """Closed while bytes are on their way, a connection is reset and its answer is lost."""
        self.transport.write_eof()
        self.loop.call_later(_SECONDS_TO_READ_A_REFUSAL, self.transport.close)


def _without_upgrade(connection: bytes) -> bytes:
    """The other tokens of a Connection header."""
    tokens = (token.strip() for token in connection.split(b","))
    return b", ".join(token for token in tokens if token.lower() != b"upgrade")
