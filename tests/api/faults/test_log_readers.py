"""Whoever reads the log may stall, or go: callers are answered all the same."""

import json
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import httpx2 as httpx
import pytest
from tests.api.servers import Server, Start, until_live

CALLS = 1000
"""A line is longer than 100 bytes, so that many fill a pipe of 64 KiB."""


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    """A reader's end and a writer's."""
    reader, writer = os.pipe()
    yield reader, writer
    for end in (reader, writer):
        try:
            os.close(end)
        except OSError:
            continue  # the test has closed it


def test_a_log_that_is_not_read_stops_nothing(start: Start, pipe: tuple[int, int]) -> None:
    reader, writer = pipe
    process, base = start(stderr=writer)
    until_live(base)
    with httpx.Client(timeout=5) as client:
        assert {client.get(f"{base}/livez").status_code for _ in range(CALLS)} == {200}
        assert process.ask(client).status_code == 200
    began = time.monotonic()
    process.send_signal(signal.SIGTERM)
    assert process.wait(10) == 0
    assert time.monotonic() - began < 5
    os.close(writer)
    with os.fdopen(os.dup(reader)) as log:
        assert len(log.readlines()) > 100  # what the pipe could hold


def test_a_log_whose_reader_is_gone_stops_nothing_and_changes_no_exit_code(
    start: Start, pipe: tuple[int, int]
) -> None:
    reader, writer = pipe
    process, base = start(stderr=writer)
    os.close(writer)
    until_live(base)
    os.close(reader)
    with httpx.Client(timeout=5) as client:
        assert {client.get(f"{base}/livez").status_code for _ in range(50)} == {200}
        assert process.ask(client).status_code == 200
    process.send_signal(signal.SIGTERM)
    assert process.wait(10) == 0


def test_where_nothing_can_be_said_at_all_it_serves_and_stops_as_ever(tmp_path: Path) -> None:
    """All three standard streams are closed."""
    mute = ("sh", "-c", 'exec "$0" "$@" <&- >&- 2>&-')
    with Server(tmp_path / "words.txt", by=mute) as process:
        until_live(process.base)
        assert process.ask().status_code == 200
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0


def test_how_many_lines_were_lost_is_said(pipe: tuple[int, int]) -> None:
    import logging  # noqa: PLC0415

    from crossgrain.http.logs import JsonLines, Lines  # noqa: PLC0415

    reader, writer = pipe
    while os.get_blocking(writer):
        os.set_blocking(writer, False)
    try:
        while True:
            os.write(writer, b"-" * 65536)
    except BlockingIOError:
        os.set_blocking(writer, True)  # full, and the next to write waits
    with os.fdopen(os.dup(writer), "w") as stream:
        handler = Lines(stream, most=5)
        handler.setFormatter(JsonLines())
        for number in range(20):
            record = logging.makeLogRecord({"name": "crossgrain.x", "msg": f"line {number}"})
            handler.handle(record)
        os.read(reader, 1 << 20)
        handler.close()
        said = [json.loads(line)["message"] for line in os.read(reader, 1 << 20).splitlines()]
    lost = 20 - len([line for line in said if line.startswith("line ")])
    assert f"{lost} log lines could not be written" in said
    assert lost >= 10
