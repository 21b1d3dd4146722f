"""What every address has in common: methods, origins, preferences, a request id."""

from collections.abc import Callable, Iterator
from typing import Any
from uuid import UUID

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from .calls import PROPOSE

PAGE = "https://ehr.example"


@pytest.fixture
def browsed(catalogue: Catalogue) -> Iterator[TestClient]:
    with TestClient(create_app(Settings(cors_origins=(PAGE,)), catalogue)) as client:
        yield client


@pytest.mark.parametrize(
    ("path", "allow"),
    [
        (PROPOSE, "OPTIONS, POST"),
        ("/fhir/r4/metadata", "GET, HEAD, OPTIONS"),
        ("/cds-services", "GET, HEAD, OPTIONS"),
        ("/cds-services/thyroid-order", "OPTIONS, POST"),
        ("/livez", "GET, HEAD, OPTIONS"),
    ],
)
def test_options_names_the_methods_of_an_address(client: TestClient, path: str, allow: str) -> None:
    answer = client.options(path)
    assert (answer.status_code, answer.content) == (204, b"")
    assert answer.headers["allow"] == allow
    wrong = client.delete(path)
    assert (wrong.status_code, wrong.headers["allow"]) == (405, allow)


def preflight(client: TestClient, origin: str) -> httpx.Response:
    return client.options(
        PROPOSE,
        headers={
            "origin": origin,
            "access-control-request-method": "POST",
            "access-control-request-headers": "content-type, authorization",
        },
    )


def test_a_page_of_a_listed_origin_may_call(browsed: TestClient) -> None:
    answer = preflight(browsed, PAGE)
    assert answer.status_code == 200
    assert answer.headers["access-control-allow-origin"] == PAGE
    assert "access-control-allow-credentials" not in answer.headers
    got = browsed.get("/fhir/r4/metadata", headers={"origin": PAGE})
    assert got.headers["access-control-allow-origin"] == PAGE
    assert got.json()["rest"][0]["security"]["cors"] is True


@pytest.mark.parametrize("origin", ["https://evil.example", "null", f"{PAGE}.evil.example"])
def test_a_page_of_another_origin_may_not(browsed: TestClient, origin: str) -> None:
    answer = preflight(browsed, origin)
    assert answer.status_code == 403
    assert "access-control-allow-origin" not in answer.headers
    assert answer.json()["issue"][0]["diagnostics"] == "this page may not call so"


def test_by_default_no_page_may_call(client: TestClient) -> None:
    assert "access-control-allow-origin" not in preflight(client, PAGE).headers
    assert client.get("/fhir/r4/metadata").json()["rest"][0]["security"]["cors"] is False


@pytest.mark.parametrize(
    ("prefer", "applied"),
    [
        ("handling=strict", "handling=strict"),
        ("return=minimal, Handling=Strict", "handling=strict"),
        ("handling=lenient", None),  # it is never lenient, and does not say that it were
        ("respond-async", None),
    ],
)
def test_only_the_preference_that_is_honoured_is_said_to_be(
    client: TestClient,
    post: Callable[..., httpx.Response],
    record: dict[str, Any],
    prefer: str,
    applied: str | None,
) -> None:
    got = client.get("/fhir/r4/metadata", headers={"prefer": prefer})
    sent = post(record, "?target=desiccated-thyroid&as-of=2025-03-03", prefer=prefer)
    assert (got.status_code, sent.status_code) == (200, 200)
    assert got.headers.get("preference-applied") == applied
    assert sent.headers.get("preference-applied") == applied


def test_an_answer_has_no_etag_and_is_not_stored(client: TestClient) -> None:
    answer = client.get("/fhir/r4/metadata")
    assert "etag" not in answer.headers
    assert answer.headers["cache-control"] == "no-store"


def test_a_request_id_is_made_or_taken_over(client: TestClient) -> None:
    assert UUID(client.get("/livez").headers["x-request-id"]).version == 4
    given = "7D1577C6-9DFB-44AD-BA6D-3E05E953B2EA"
    assert (
        client.get("/livez", headers={"x-request-id": given}).headers["x-request-id"]
        == given.lower()
    )


@pytest.mark.parametrize("given", ["Zz9marked", "", "7d1577c6-9dfb-44ad-ba6d-3e05e953b2ea Zz9"])
def test_a_request_id_that_could_hold_anything_is_not_taken_over(
    client: TestClient, given: str
) -> None:
    taken = client.get("/livez", headers={"x-request-id": given}).headers["x-request-id"]
    assert UUID(taken).version == 4
    assert taken != given
