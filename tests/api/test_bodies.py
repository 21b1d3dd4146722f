"""What may be sent: method, path, media type, size, JSON, shape. Everything else is refused."""

import json
from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from .calls import FHIR, PROPOSE, QUERY


def refused(answer: httpx.Response, status: int, code: str) -> dict[str, Any]:
    """The one issue of an OperationOutcome with that status and code."""
    body = answer.json()
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/fhir+json"
    assert answer.headers["cache-control"] == "no-store"
    assert body["resourceType"] == "OperationOutcome"
    assert [issue["code"] for issue in body["issue"]] == [code]
    issue: dict[str, Any] = body["issue"][0]
    return issue


@pytest.mark.parametrize("path", ["/fhir/r4/Patient/1", "/fhir/r3/$propose-switch", "/redoc"])
def test_an_unknown_address_is_404(client: TestClient, path: str) -> None:
    refused(client.get(path), 404, "not-found")


def test_a_wrong_method_is_405_and_names_the_right_one(client: TestClient) -> None:
    answer = client.get(PROPOSE)
    refused(answer, 405, "not-supported")
    assert answer.headers["allow"] == "OPTIONS, POST"


@pytest.mark.parametrize(
    "content_type",
    [
        "text/plain",
        "application/fhir+xml",
        "application/fhir+json; charset=latin-1",
        "application/fhir+json; fhirVersion=5.0",
        "",
    ],
)
def test_a_body_of_another_media_type_is_415(
    post: Callable[..., httpx.Response], record: dict[str, Any], content_type: str
) -> None:
    issue = refused(post(record, content_type=content_type), 415, "not-supported")
    assert issue["expression"] == ["http.Content-Type"]


def test_a_compressed_body_is_415(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    issue = refused(post(record, content_encoding="gzip"), 415, "not-supported")
    assert issue["expression"] == ["http.Content-Encoding"]


@pytest.mark.parametrize(
    "accept",
    [
        "application/fhir+xml", "text/html", "application/json;q=0", "application/json;q=x",
        "application/*;q=0", "*/*;q=0.5, application/*;q=0",
    ],
)  # fmt: skip
def test_an_answer_that_is_not_spoken_is_406(
    post: Callable[..., httpx.Response], record: dict[str, Any], accept: str
) -> None:
    issue = refused(post(record, accept=accept), 406, "not-supported")
    assert issue["expression"] == ["http.Accept"]


@pytest.mark.parametrize(
    ("accept", "answered"),
    [
        ("application/*;q=0.1, application/fhir+json;q=0", "application/json"),
        ("application/fhir+json;q=0, */*", "application/json"),
        ("*/*, application/json;q=0", "application/fhir+json"),
        ("application/json, */*", "application/json"),
        ("application/json;q=0.5, application/fhir+json", "application/fhir+json"),
        ("*/*", "application/fhir+json"),
    ],
)
def test_the_range_that_names_a_type_most_closely_decides_on_it(
    post: Callable[..., httpx.Response], record: dict[str, Any], accept: str, answered: str
) -> None:
    """RFC 9110, 12.5.1."""
    answer = post(record, QUERY, accept=accept)
    assert answer.headers["content-type"] == answered


@pytest.mark.parametrize(
    ("accept", "answered"),
    [
        ("text/calendar, */*;q=0.1", "text/calendar"),
        ("text/html;q=0, text/*", "text/calendar"),
        ("text/html;q=0.5, text/calendar;q=0.4", "text/html"),
        ("text/calendar, text/html", "text/html"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "text/html"),
        ("*/*", "text/html"),
    ],
)
def test_a_sheet_is_the_type_that_is_wanted_most(
    post: Callable[..., httpx.Response], record: dict[str, Any], accept: str, answered: str
) -> None:
    answer = post(record, QUERY, "/sheet", accept=accept)
    assert answer.headers["content-type"].partition(";")[0] == answered


@pytest.mark.parametrize("form", ["pdf", "html"])
def test_a_sheet_by_itself_takes_no_form_of_the_document_in_an_answer(
    post: Callable[..., httpx.Response], record: dict[str, Any], form: str
) -> None:
    for query in (f"{QUERY}&sheet-form={form}", f"{QUERY}&sheet=true&sheet-form={form}"):
        issue = refused(post(record, query, "/sheet"), 422, "business-rule")
        assert issue["expression"] == ["http.sheet-form"]
        assert "leave it out" in issue["diagnostics"]


@pytest.mark.parametrize("more", [{"valueCode": "x"}, {"part": []}, {"valueString": "x"}])
def test_a_record_that_is_a_value_too_is_refused(
    post: Callable[..., httpx.Response],
    parameters: Callable[..., dict[str, Any]],
    more: dict[str, Any],
) -> None:
    body = parameters({"name": "target", "valueCode": "desiccated-thyroid"})
    body["parameter"][0] |= more
    issue = refused(post(body), 400, "structure")
    assert issue["expression"] == ["Parameters.parameter[0]"]


def test_the_format_option_goes_before_accept(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    issue = refused(
        post(record, "?_format=xml", accept="application/fhir+json"), 406, "not-supported"
    )
    assert issue["expression"] == ["http._format"]
    issue = refused(post(record, "?_format=json&_format=json"), 400, "invalid")
    assert issue["expression"] == ["http._format"]


def test_pretty_is_true_or_false(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    issue = refused(post(record, "?_pretty=maybe"), 400, "value")
    assert issue["expression"] == ["http._pretty"]


def test_a_declared_length_over_the_limit_is_413(post: Callable[..., httpx.Response]) -> None:
    issue = refused(post(b" " * 200_001), 413, "too-long")
    assert "200000 bytes" in issue["diagnostics"]


def test_a_body_that_only_turns_out_too_large_is_413(client: TestClient) -> None:
    chunks = (b" " * 50_000 for _ in range(100))
    answer = client.post(PROPOSE, content=chunks, headers=FHIR)
    refused(answer, 413, "too-long")


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (b"", 400, "structure"),
        (b"{", 400, "structure"),
        (b"[]", 400, "structure"),
        (b"null", 400, "structure"),
        (b'{"resourceType": "Bundle", "resourceType": "Bundle"}', 400, "structure"),
        (b'{"resourceType": NaN}', 400, "structure"),
        (b'{"x": 1e400}', 400, "value"),
        (b"\xff\xfe", 400, "structure"),
        (b'{"a":' * 100 + b"1" + b"}" * 100, 413, "too-costly"),
        (b'{"a":' * 20_000 + b"1" + b"}" * 20_000, 413, "too-costly"),
    ],
)
def test_a_body_that_is_not_usable_json_is_refused(
    post: Callable[..., httpx.Response], body: bytes, status: int, code: str
) -> None:
    refused(post(body), status, code)


@pytest.mark.parametrize(
    ("body", "expression"),
    [
        ({}, "resourceType"),
        ({"resourceType": "Patient"}, "resourceType"),
        ({"resourceType": ["Bundle"]}, "resourceType"),
        ({"resourceType": "Parameters"}, "Parameters.parameter"),
        ({"resourceType": "Parameters", "parameter": [1]}, "Parameters.parameter"),
        (
            {"resourceType": "Parameters", "parameter": [], "modifierExtension": []},
            "Parameters.modifierExtension",
        ),
        (
            {"resourceType": "Parameters", "parameter": [{"modifierExtension": []}]},
            "Parameters.parameter[0].modifierExtension",
        ),
        (
            {"resourceType": "Parameters", "parameter": [], "implicitRules": "urn:x"},
            "Parameters.implicitRules",
        ),
        (
            {"resourceType": "Parameters", "parameter": [{"name": "record"}]},
            "Parameters.parameter[0].resource",
        ),
    ],
)
def test_a_body_of_another_shape_is_refused_where_it_differs(
    post: Callable[..., httpx.Response], body: dict[str, Any], expression: str
) -> None:
    assert refused(post(body), 400, "structure")["expression"] == [expression]


def test_a_call_without_a_record_says_how_to_give_it(
    post: Callable[..., httpx.Response],
) -> None:
    issue = refused(post({"resourceType": "Parameters", "parameter": []}), 400, "required")
    assert issue["expression"] == ["Parameters.parameter.where(name='record')"]


def test_two_records_are_refused(
    post: Callable[..., httpx.Response], parameters: Callable[..., dict[str, Any]]
) -> None:
    body = parameters()
    body["parameter"].append(json.loads(json.dumps(body["parameter"][0])))
    issue = refused(post(body), 400, "invalid")
    assert issue["expression"] == ["Parameters.parameter[1]"]
