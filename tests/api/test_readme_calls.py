"""The HTTP calls of the README and of the documents, each sent as written."""

import re
import shlex
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

ROOT = Path(__file__).parents[2]
DOCUMENTS = (ROOT / "README.md", *sorted((ROOT / "service/docs").glob("*.md")))
WRITTEN = "".join(path.read_text("utf-8") for path in DOCUMENTS).replace("\\\n", " ")
CALLS = sorted(set(re.findall(r"^curl .+$", WRITTEN, re.MULTILINE)))

ANSWERS = {
    "Bundle",
    "Parameters",
    "CarePlan",
    "CapabilityStatement",
    "CodeSystem",
    "StructureDefinition",
    "Library",
}


def test_there_are_calls_to_try() -> None:
    assert len(CALLS) >= 12


@pytest.mark.parametrize("call", CALLS)
def test_a_call_is_answered(client: TestClient, call: str) -> None:
    _, _, *said = shlex.split(call)
    url, *rest = said[2:] if said[0] == "-o" else said
    base = "http://127.0.0.1:8000"
    assert url.startswith(f"{base}/")
    path = url.removeprefix(base)
    if rest:
        _, header, _, data = rest
        name, _, value = header.partition(": ")
        content = (ROOT / data.removeprefix("@")).read_bytes()
        answer = client.post(path, content=content, headers={name: value})
    else:
        answer = client.get(path)
    assert answer.status_code == 200, answer.text
    if path.endswith("/feedback"):
        assert answer.content == b""
    elif path.startswith("/cds-services"):
        assert answer.json().get("services") or answer.json()["cards"]
    elif path.startswith("/sheet"):
        assert answer.headers["content-type"].startswith("text/html")
        assert ("For the prescriber" in answer.text) is ("page=patient" not in path)
    elif path.endswith(".tgz"):
        assert answer.content.startswith(b"\x1f\x8b")  # RFC 1952, 2.3.1
    else:
        assert answer.json()["resourceType"] in ANSWERS
