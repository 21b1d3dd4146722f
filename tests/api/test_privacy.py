"""Nothing that was said of a patient reaches a log, whatever goes wrong."""

import json
import logging
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from crossgrain.operations import propose_switch

from .calls import PROPOSE

MARK = "Zz9marked"


@pytest.fixture
def marked(record: dict[str, Any]) -> dict[str, Any]:
    """The record with a mark in every string that a person could have typed."""
    for entry in record["entry"]:
        resource = entry["resource"]
        resource["text"] = {"status": "generated", "div": f"<div>{MARK}</div>"}
        for name in resource.get("name", []):
            name["family"] = MARK
        for dosage in resource.get("dosage", []):
            dosage["text"] = MARK
    return record


def every_line(caplog: pytest.LogCaptureFixture) -> str:
    formatter = logging.Formatter("%(name)s %(levelname)s %(message)s")
    return "\n".join(formatter.format(line) for line in caplog.records)


def test_a_request_is_logged_by_its_route_and_status_alone(
    caplog: pytest.LogCaptureFixture,
    post: Callable[..., httpx.Response],
    marked: dict[str, Any],
) -> None:
    with caplog.at_level(logging.DEBUG, logger="crossgrain"):
        status = post(marked, f"?target={MARK}", user_agent=MARK).status_code
    logged = every_line(caplog)
    assert f"crossgrain.access INFO POST {PROPOSE} {status} " in logged
    assert MARK not in logged


@pytest.mark.parametrize("path", [f"/{MARK}", f"/fhir/r4/Patient/{MARK}?name={MARK}"])
def test_an_unknown_path_is_not_logged_as_sent(
    caplog: pytest.LogCaptureFixture, client: TestClient, path: str
) -> None:
    with caplog.at_level(logging.DEBUG, logger="crossgrain"):
        client.get(path)
    logged = every_line(caplog)
    assert "GET unmatched 404" in logged
    assert MARK not in logged


def test_an_unread_body_is_not_logged(
    caplog: pytest.LogCaptureFixture, post: Callable[..., httpx.Response], marked: dict[str, Any]
) -> None:
    with caplog.at_level(logging.DEBUG, logger="crossgrain"):
        assert post(json.dumps(marked).encode()[:-2]).status_code == 400
    assert MARK not in every_line(caplog)


def test_a_crash_is_a_bare_500_and_its_message_is_not_logged(
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
    post: Callable[..., httpx.Response],
    marked: dict[str, Any],
) -> None:
    def crash(*_: object) -> None:
        raise KeyError(MARK)

    monkeypatch.setattr(propose_switch, "propose", crash)
    monkeypatch.setattr(propose_switch, "record_in", lambda *_, **__: None)
    with caplog.at_level(logging.DEBUG, logger="crossgrain"):
        answer = post(marked, "?target=desiccated-thyroid")
    logged = every_line(caplog)
    assert answer.status_code == 500
    assert answer.json() == {
        "resourceType": "OperationOutcome",
        "issue": [
            {
                "severity": "fatal",
                "code": "exception",
                "diagnostics": "the service failed; nothing was proposed",
            }
        ],
    }
    assert answer.headers["cache-control"] == "no-store"
    assert "crossgrain.errors ERROR KeyError at crash:" in logged
    assert MARK not in logged
