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

from .calls import PATIENTS
from .servers import Start, start, until_live

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
    assert ready.json()["issue"][0]["diagnostics"].startswith("a data file is not sound: ours")
    asked = httpx.post(f"{base}/fhir/r4/$propose-switch", json={})
    assert (asked.status_code, asked.headers["retry-after"]) == (503, "30")
    process.send_signal(signal.SIGTERM)
    said = process.said()
    assert "Not ready. ours" in said


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "dose.example", "::"])
def test_beyond_this_machine_it_must_be_said_who_may_call(start: Start, host: str) -> None:
    process, _ = start("--host", host)
    said = process.said()
    assert process.returncode == 1
    assert "CROSSGRAIN_CDS_AUTH and CROSSGRAIN_FHIR_AUTH" in said


def test_several_workers_need_a_store_of_used_tokens(start: Start, tmp_path: Path) -> None:
    process, _ = start(
        "--workers",
        "2",
        cds_auth="jwt",
        public_url="https://dose.example",
        cds_issuers='{"https://ehr.example/": "/keys.json"}',
    )
    said = process.said()
    assert process.returncode == 1
    assert "CROSSGRAIN_JTI_STORE" in said


def test_a_wrong_setting_is_named_and_its_value_is_not_shown(start: Start) -> None:
    process, _ = start(max_in_flight="hush-hush", time_zone="Nowhere/None")
    said = process.said()
    assert process.returncode == 1
    assert "CROSSGRAIN_MAX_IN_FLIGHT" in said
    assert "CROSSGRAIN_TIME_ZONE" in said
    assert "hush" not in said


def test_at_twice_what_it_can_take_it_sheds_and_loses_nothing(start: Start) -> None:
    """Sixteen callers at eight places: each call is answered, or told at once to come back."""
    process, base = start(max_in_flight="8")
    until_live(base)
    body = (PATIENTS / "01-levothyroxine-150.json").read_bytes()

    def call_often(_: int) -> list[tuple[int, str | None, float]]:
        seen = []
        with httpx.Client(base_url=base, timeout=30) as client:
            for _ in range(20):
                began = time.perf_counter()
                answer = client.post(
                    "/fhir/r4/$propose-switch?target=desiccated-thyroid&as-of=2025-03-03",
                    content=body,
                    headers={"content-type": "application/fhir+json"},
                )
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
    process.said()
    assert statuses == [200]
    assert process.returncode == 0
