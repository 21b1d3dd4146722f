"""Log lines: one JSON object each, with nothing in them that was said of a patient.

Our own lines are made of routes, statuses, times and code places. What another library logs may
quote a URL or a value, so of it only its name and level are written.
"""

import json
import logging
import traceback
from datetime import UTC, datetime
from typing import Any, Literal

from crossgrain.http.lines import Lines

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
