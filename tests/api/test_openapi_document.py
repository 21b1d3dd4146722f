"""One OpenAPI document: made by a script, packaged, served and printed as the same bytes."""

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from openapi import __main__ as script
from openapi import document as made
from tests.unit.command import crossgrain

from crossgrain.http import routes as packaged

FILE = script.FILE
WRITTEN = FILE.read_bytes()
DOCUMENT = json.loads(WRITTEN)


def test_the_file_is_what_the_script_makes_of_the_code() -> None:
    assert FILE.read_text("utf-8") == made.written(made.document())


def test_what_is_served_is_the_file_to_the_byte(client: TestClient) -> None:
    answer = client.get("/openapi.json")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/json")
    assert answer.content == WRITTEN
    assert client.head("/openapi.json").headers["content-length"] == str(len(WRITTEN))


def test_what_is_printed_is_the_file_to_the_byte() -> None:
    ran = crossgrain("openapi")
    assert (ran.returncode, ran.stdout) == (0, WRITTEN)


def test_the_servers_are_wherever_the_document_was_read_from() -> None:
    assert DOCUMENT["servers"] == [{"url": "/"}]


def test_a_file_that_was_emptied_is_no_document(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packaged, "packaged", lambda: b"")
    ran = crossgrain("openapi")
    assert ran.returncode == 1
    assert "python -m openapi" in ran.told_beside


@pytest.fixture
def another(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The script, told to write elsewhere, its document short."""
    monkeypatch.setattr(script, "FILE", tmp_path / "openapi.json")
    monkeypatch.setattr(script, "document", lambda: {"openapi": "3.1.0"})
    return tmp_path / "openapi.json"


def test_the_check_fails_on_a_file_that_is_not_the_codes_own(another: Any) -> None:
    assert script.main() == 0
    assert script.main("--check") == 0
    another.write_text(another.read_text().replace("3.1.0", "3.1.1"))
    assert script.main("--check") == 1


def test_the_script_takes_nothing_else(another: Any) -> None:
    assert script.main("--chekc") == 1
    assert not another.exists()


def test_what_is_documented_and_is_no_route_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    real = made._documented

    def more(desk: Any) -> Iterator[tuple[str, dict[str, Any]]]:
        yield from real(desk)
        yield "fhir-r6-propose-switch", {}

    monkeypatch.setattr(made, "_documented", more)
    with pytest.raises(LookupError, match="fhir-r6-propose-switch"):
        made.document()


def test_a_route_that_is_not_documented_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    real = made._documented
    monkeypatch.setattr(
        made, "_documented", lambda desk: (d for d in real(desk) if d[0] != "sheet")
    )
    with pytest.raises(LookupError, match="sheet"):
        made.document()


def test_a_basis_of_a_clinics_own_is_not_excluded() -> None:
    """The document is the same for every deployment, and a deployment may add charts."""
    (basis,) = (
        parameter["schema"]
        for parameter in DOCUMENT["paths"]["/fhir/r4/$propose-switch"]["post"]["parameters"]
        if parameter["name"] == "basis"
    )
    shipped, own = basis["anyOf"]
    assert "practice" in shipped["enum"]
    assert own["type"] == "string"
    assert not re.search(r"enum", json.dumps(own))
