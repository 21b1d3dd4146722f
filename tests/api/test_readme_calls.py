"""The README's HTTP calls, each sent as written."""

import re
import shlex
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

ROOT = Path(__file__).parents[2]
CALLS = re.findall(r"^curl .+$", (ROOT / "README.md").read_text(), re.MULTILINE)


def test_there_are_calls_to_try() -> None:
    assert len(CALLS) >= 3


@pytest.mark.parametrize("call", CALLS)
def test_a_call_is_answered(client: TestClient, call: str) -> None:
    _, _, url, _, header, _, data = shlex.split(call)
    name, _, value = header.partition(": ")
    base = "http://127.0.0.1:8000"
    assert url.startswith(f"{base}/")
    answer = client.post(
        url.removeprefix(base),
        content=(ROOT / data.removeprefix("@")).read_bytes(),
        headers={name: value},
    )
    assert answer.status_code == 200, answer.text
    assert answer.json()["resourceType"] in {"Bundle", "Parameters"}
