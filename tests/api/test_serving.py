"""The server as a process: what it says at start, when it is ready, how it stops."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx2 as httpx
import pytest

from .conftest import PATIENTS

COMMAND = Path(sys.executable).with_name("crossgrain")
Start = Callable[..., tuple[subprocess.Popen[str], str]]


@pytest.fixture
def start() -> Iterator[Start]:
    running: list[subprocess.Popen[str]] = []

    def begin(*arguments: str, **settings: str) -> tuple[subprocess.Popen[str], str]:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        process = subprocess.Popen(
            [
                Path(sys.executable).with_name("crossgrain"),
                "serve",
                "--port",
                str(port),
                *arguments,
            ],
            env={**os.environ, **{f"CROSSGRAIN_{k.upper()}": v for k, v in settings.items()}},
            stderr=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        return process, f"http://127.0.0.1:{port}"

    yield begin
    for process in running:
        if process.poll() is None:
            process.kill()
        process.communicate()


def until_live(base: str) -> None:
    for _ in range(150):
        try:
            if httpx.get(f"{base}/livez").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    pytest.fail("the server did not start")


def test_it_shows_its_settings_and_no_secret_and_stops_when_told(start: Start) -> None:
    process, base = start(
        fhir_auth="introspection",
        oauth_audience="https://dose.example",
        introspection_url="https://as.example/introspect",
        introspection_client="crossgrain",
        introspection_secret="hush-hush",
    )
    until_live(base)
    assert httpx.get(f"{base}/readyz").status_code == 200
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=20)
    assert process.returncode in {0, -signal.SIGTERM}  # the signal is raised again at the end
    assert "fhir_auth = introspection" in said
    assert "introspection_secret = (set, not shown)" in said
    assert "hush" not in said


def test_a_data_file_that_is_not_sound_leaves_it_live_and_not_ready(
    start: Start, tmp_path: Path
) -> None:
    clinic = tmp_path / "clinic.toml"
    clinic.write_text('[[basis]]\nid = "ours"\nstatement = "x"\nsource = "y"\n')
    process, base = start(clinic=str(clinic))
    until_live(base)
    ready = httpx.get(f"{base}/readyz")
    assert ready.status_code == 503
    assert ready.json()["issue"][0]["diagnostics"].startswith("a data file is not sound: ours")
    asked = httpx.post(f"{base}/fhir/r4/$propose-switch", json={})
    assert (asked.status_code, asked.headers["retry-after"]) == (503, "30")
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=20)
    assert "Not ready. ours" in said


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "dose.example", "::"])
def test_beyond_this_machine_it_must_be_said_who_may_call(start: Start, host: str) -> None:
    process, _ = start("--host", host)
    _, said = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "CROSSGRAIN_CDS_AUTH and CROSSGRAIN_FHIR_AUTH" in said


def test_a_wrong_setting_is_named_and_its_value_is_not_shown(start: Start) -> None:
    process, _ = start(max_in_flight="hush-hush", time_zone="Nowhere/None")
    _, said = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "CROSSGRAIN_MAX_IN_FLIGHT" in said
    assert "CROSSGRAIN_TIME_ZONE" in said
    assert "hush" not in said


def test_what_was_accepted_is_answered_though_the_server_is_told_to_stop(start: Start) -> None:
    process, base = start(body_seconds="10")
    until_live(base)
    body = (PATIENTS / "01-levothyroxine-150.json").read_bytes()
    sent_half = threading.Event()
    statuses: list[int] = []

    def slowly() -> Iterator[bytes]:
        yield body[:1000]
        sent_half.set()
        time.sleep(1.5)
        yield body[1000:]

    def request() -> None:
        answer = httpx.post(
            f"{base}/fhir/r4/$propose-switch?target=desiccated-thyroid&as-of=2025-03-03",
            content=slowly(),
            headers={"content-type": "application/fhir+json"},
            timeout=20,
        )
        statuses.append(answer.status_code)

    caller = threading.Thread(target=request)
    caller.start()
    assert sent_half.wait(10)
    time.sleep(0.5)
    process.send_signal(signal.SIGTERM)
    caller.join(20)
    process.communicate(timeout=20)
    assert statuses == [200]
    assert process.returncode in {0, -signal.SIGTERM}  # the signal is raised again at the end
