"""Log lines: one JSON object each, with nothing in them about a patient.

A line is written by a thread of its own. A reader that has stalled (a full pipe) or gone (a
broken one) costs lines, not answers; how many were lost is said once lines can be written again.

Our own lines are made of routes, statuses, times and code places. What another library logs may
quote a URL or a value, so of it only its name and level are written.
"""

import json
import logging
import os
import threading
import time
import traceback
from collections import deque
from datetime import UTC, datetime
from typing import Any, Literal, TextIO

MOST_KEPT = 10_000
_SECONDS_TO_GATHER = 0.005
_SECONDS_AT_THE_END = 1.0


class Lines(logging.Handler):
    """Writes lines to a stream.

    Parameters
    ----------
    stream : what the lines go to; its file is written to directly where it has one
    most : lines kept while they cannot be written
    """

    def __init__(self, stream: TextIO, most: int = MOST_KEPT) -> None:
        super().__init__()
        self._stream = stream
        self._most = most
        self._kept: deque[str] = deque()
        self._lost = 0
        self._is_writing = self._is_closed = False
        self._writing_since = 0.0
        self._change = threading.Condition()
        threading.Thread(target=self._write_on, name="log lines", daemon=True).start()

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a line to be written."""
        try:
            line = f"{self.format(record)}\n"
        except Exception:  # as every handler of the library does
            self.handleError(record)
            return
        with self._change:
            if len(self._kept) < self._most:
                self._kept.append(line)
                if len(self._kept) == 1:  # with more, the writer is awake already
                    self._change.notify_all()
            else:
                self._lost += 1

    def flush(self) -> None:
        """Wait until everything is written, but not for a reader that has stalled."""
        with self._change:
            began = self._writing_since if self._is_writing else time.monotonic()
            left = max(0.0, began + _SECONDS_AT_THE_END - time.monotonic())
            self._change.wait_for(lambda: not self._kept and not self._is_writing, left)

    def close(self) -> None:
        """Write what is kept, and no more."""
        self.flush()
        with self._change:
            self._is_closed = True
            self._change.notify_all()
        super().close()

    def _write_on(self) -> None:
        while self._await_some():
            time.sleep(_SECONDS_TO_GATHER)
            with self._change:
                lines, lost = list(self._kept), self._lost
                self._kept.clear()
                self._lost = 0
                self._is_writing = True
                self._writing_since = time.monotonic()
            said = [f"{self.format(_loss(lost))}\n"] if lost else []
            written = self._put("".join([*said, *lines]))
            with self._change:
                self._is_writing = False
                self._lost += 0 if written else lost + len(lines)
                self._change.notify_all()

    def _await_some(self) -> bool:
        """True as soon as there is something to write; false where it is closed."""
        with self._change:
            self._change.wait_for(lambda: self._kept or self._is_closed)
            return bool(self._kept)

    def _put(self, text: str) -> bool:
        """Write to the file itself: a stream's lock, held in a stall, would be fatal at the end."""
        try:
            file = self._stream.fileno()
        except OSError:
            self._stream.write(text)
            return True
        left = memoryview(text.encode())
        try:
            while left:
                left = left[os.write(file, left) :]
        except OSError:  # whoever read is gone
            return False
        return True


def _loss(lines: int) -> logging.LogRecord:
    words = "%d log lines could not be written"
    return logging.LogRecord("crossgrain.logs", logging.WARNING, "", 0, words, (lines,), None)


_WRITTEN_OUT = ("crossgrain", "uvicorn")
_QUOTE_ADDRESSES = ("httpx2", "httpcore2", "httpx", "httpcore", "redis", "asyncio")
"""Libraries that log addresses or headers below the level of a warning."""
WITHHELD = "(a line of another library, withheld)"


class JsonLines(logging.Formatter):
    """One object per line."""

    def format(self, record: logging.LogRecord) -> str:
        """Time, level, logger, message, and the fields that the line carries."""
        line: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": message_of(record),
            **getattr(record, "fields", {}),
        }
        if record.exc_info and record.exc_info[1]:
            line["error"] = where(record.exc_info[1])
        return json.dumps(line, ensure_ascii=False)


class PlainLines(logging.Formatter):
    """The same for a person's eyes."""

    def format(self, record: logging.LogRecord) -> str:
        """Time, logger, message."""
        error = f" {where(record.exc_info[1])}" if record.exc_info and record.exc_info[1] else ""
        return f"{self.formatTime(record)} {record.name} {message_of(record)}{error}"


def message_of(record: logging.LogRecord) -> str:
    """What the line says, where it may say it."""
    ours = record.name.partition(".")[0] in _WRITTEN_OUT
    return record.getMessage() if ours else WITHHELD


def where(error: BaseException) -> str:
    """An error by its type and the code that raised it; never by its message."""
    frames = traceback.extract_tb(error.__traceback__)
    places = (f"{frame.name}:{frame.lineno}" for frame in reversed(frames[-6:]))
    return f"{type(error).__name__} at {' < '.join(places)}"


def quiet_libraries() -> None:
    """Keep libraries that would log addresses from doing so, however logging is set up."""
    for name in _QUOTE_ADDRESSES:
        logging.getLogger(name).setLevel(logging.WARNING)


def log_config(form: Literal["json", "plain"]) -> dict[str, Any]:
    """The set-up of logging for the server, its own access log off: it prints the query."""
    formatter = JsonLines if form == "json" else PlainLines
    handler = {"class": f"{Lines.__module__}.{Lines.__name__}", "formatter": "lines"}
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"lines": {"()": f"{formatter.__module__}.{formatter.__name__}"}},
        "handlers": {"out": {**handler, "stream": "ext://sys.stderr"}},
        "root": {"handlers": ["out"], "level": "WARNING"},
        "loggers": {
            "crossgrain": {"level": "INFO"},
            "uvicorn": {"level": "INFO"},
            "uvicorn.access": {"level": "CRITICAL"},
        },
    }
