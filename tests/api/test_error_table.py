"""One table of faults: whole, of FHIR's own codes, and what every error in the tests comes from."""

import json
import re
from enum import StrEnum

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from starlette.responses import JSONResponse, Response

from crossgrain.names.errors import Category as DomainCategory
from crossgrain.operations.faults import TABLE, Complaint, Fault, RequestRefused, refusal, row_of
from crossgrain.reading.elements import ReadCategory

# http://hl7.org/fhir/R4/valueset-issue-type.html and its R5 namesake: what both have, from memory.
# tests/conformance checks the codes of whole answers against the official code system.
ISSUE_TYPES = {
    "invalid", "structure", "required", "value", "invariant", "security", "login", "unknown",
    "expired", "forbidden", "suppressed", "processing", "not-supported", "duplicate",
    "multiple-matches", "not-found", "deleted", "too-long", "code-invalid", "extension",
    "too-costly", "business-rule", "conflict", "transient", "lock-error", "no-store",
    "exception", "timeout", "incomplete", "throttled", "informational",
}  # fmt: skip
CATEGORIES: list[StrEnum] = [*Fault, *DomainCategory, *ReadCategory]


@pytest.mark.parametrize("category", CATEGORIES, ids=lambda c: f"{type(c).__module__}:{c}")
def test_every_fault_has_a_row_with_a_status_of_an_error_and_a_code_of_fhirs(
    category: StrEnum,
) -> None:
    row = row_of(category)
    assert 400 <= row.status < 600
    assert row.code in ISSUE_TYPES
    assert re.fullmatch(r"[a-z].*[^.]", row.words)


def test_the_table_has_no_row_beside() -> None:
    assert sum(map(len, TABLE.values())) == len(CATEGORIES)


def test_members_of_the_same_text_keep_their_own_rows() -> None:
    assert DomainCategory.CONFLICT == ReadCategory.CONFLICT
    assert row_of(DomainCategory.CONFLICT) != row_of(ReadCategory.CONFLICT)


def test_a_refusal_without_words_has_those_of_the_table() -> None:
    (said,) = refusal(Fault.METHOD).complaints
    assert said.message == "this address does not take that method"


def test_the_first_of_several_gives_the_status() -> None:
    late = Complaint(Fault.TOO_SLOW, None, "late")
    odd = Complaint(ReadCategory.TOO_COSTLY, None, "odd")
    assert RequestRefused(late, odd).status == 408
    assert RequestRefused(odd, late).status == 413


def outcome(code: str) -> Response:
    said = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": code}]}
    return JSONResponse(said)


@pytest.mark.parametrize(
    ("status", "body"),
    [
        (418, outcome("invalid")),
        (404, outcome("timeout")),
        (404, JSONResponse({"detail": "Not Found"})),
    ],
    ids=["another status", "a code of another row", "no OperationOutcome"],
)
def test_an_error_that_is_no_row_fails_the_test_that_is_answered_with_it(
    status: int, body: Response
) -> None:
    app = FastAPI()

    @app.get("/")
    def answer() -> Response:
        return Response(body.body, status, media_type="application/json")

    with TestClient(app) as client, pytest.raises((AssertionError, KeyError)):
        client.get("/")


def test_an_error_that_is_a_row_does_not(client: TestClient) -> None:
    answer = client.get("/nowhere")
    assert json.loads(answer.content)["issue"][0]["code"] == "not-found"
