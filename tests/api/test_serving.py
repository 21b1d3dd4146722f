"""The server as a process: what it says at start, when it is ready, how it stops."""

import json
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx2 as httpx
import pytest
from tests.unit.command import crossgrain

from crossgrain.cli import serving

from .calls import FHIR, RECORD
from .servers import ASKED, Start, start, until_live

__all__ = ["start"]


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
    said = process.said()
    assert process.returncode == 0
    lines = [json.loads(line) for line in said.splitlines()]  # every line is an object
    shown = lines[0]["settings"]
    assert shown["fhir_auth"] == "introspection"
    assert shown["introspection_secret"] == "(set, not shown)"
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
    assert ready.json()["issue"][0]["diagnostics"].startswith(
        "a data file is not sound: clinic.toml: ours"
    )
    asked = httpx.post(f"{base}/fhir/r4/$propose-switch", json={})
    assert (asked.status_code, asked.headers["retry-after"]) == (503, "30")
    process.send_signal(signal.SIGTERM)
    said = process.said()
    assert "Not ready. clinic.toml: ours.lt4_ug_per_grain" in said


@pytest.fixture
def no_server(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is refused ends before a server begins, so it needs no process of its own."""
    monkeypatch.setattr(serving, "_run", lambda _: pytest.fail("a server began"))


@pytest.mark.usefixtures("no_server")
@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "dose.example", "::"])
def test_beyond_this_machine_it_must_be_said_who_may_call(host: str) -> None:
    ran = crossgrain("serve", "--host", host)
    assert ran.returncode == 1
    assert "CROSSGRAIN_CDS_AUTH and CROSSGRAIN_FHIR_AUTH" in ran.told_beside


@pytest.mark.usefixtures("no_server")
def test_several_workers_need_a_store_of_used_tokens(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    keys = tmp_path / "keys.json"
    keys.write_text('{"keys": []}')
    monkeypatch.setenv("CROSSGRAIN_CDS_AUTH", "jwt")
    monkeypatch.setenv("CROSSGRAIN_PUBLIC_URL", "https://dose.example")
    monkeypatch.setenv("CROSSGRAIN_CDS_ISSUERS", json.dumps({"https://ehr.example/": str(keys)}))
    ran = crossgrain("serve", "--workers", "2")
    assert ran.returncode == 1
    assert "CROSSGRAIN_JTI_STORE" in ran.told_beside


@pytest.mark.usefixtures("no_server")
def test_a_wrong_setting_is_named_and_its_value_is_not_shown(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("CROSSGRAIN_MAX_IN_FLIGHT", "hush-hush")
    monkeypatch.setenv("CROSSGRAIN_TIME_ZONE", "Nowhere/None")
    ran = crossgrain("serve")
    assert ran.returncode == 1
    assert "CROSSGRAIN_MAX_IN_FLIGHT" in ran.told_beside
    assert "CROSSGRAIN_TIME_ZONE" in ran.told_beside
    assert "hush" not in ran.told + ran.told_beside


def test_at_twice_what_it_can_take_it_sheds_and_loses_nothing(start: Start) -> None:
    """Sixteen callers at eight places: each call is answered, or told at once to come back."""
    process, base = start(max_in_flight="8")
    until_live(base)

    def call_often(_: int) -> list[tuple[int, str | None, float]]:
        seen = []
        with httpx.Client(base_url=base, timeout=30) as client:
            for _ in range(20):
                began = time.perf_counter()
                answer = client.post(ASKED, content=RECORD, headers=FHIR)
                if answer.status_code == 200:
                    assert answer.json()["entry"][0]["resource"]["status"] == "success"
                took = time.perf_counter() - began
                seen.append((answer.status_code, answer.headers.get("retry-after"), took))
        return seen

    with ThreadPoolExecutor(16) as callers:
        seen = [one for each in callers.map(call_often, range(16)) for one in each]
    statuses = Counter(status for status, _, _ in seen)
    assert set(statuses) == {200, 503}
    assert sum(statuses.values()) == 16 * 20
    assert {wait for status, wait, _ in seen if status == 503} == {"1"}
    assert httpx.get(f"{base}/readyz").status_code == 200
    assert process.poll() is None


def test_what_was_accepted_is_answered_though_the_server_is_told_to_stop(start: Start) -> None:
    process, base = start(body_seconds="10")
    until_live(base)
    sent_half = threading.Event()
    statuses: list[int] = []

    def slowly() -> Iterator[bytes]:
        yield RECORD[:1000]
        sent_half.set()
        time.sleep(1.5)
        yield RECORD[1000:]

    def request() -> None:
        answer = httpx.post(f"{base}{ASKED}", content=slowly(), headers=FHIR, timeout=20)
        statuses.append(answer.status_code)

    caller = threading.Thread(target=request)
    caller.start()
    assert sent_half.wait(10)
    time.sleep(0.5)
    process.send_signal(signal.SIGTERM)
    caller.join(20)
    process.said()
    assert statuses == [200]
    assert process.returncode == 0
