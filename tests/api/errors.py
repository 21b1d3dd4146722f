"""Every error that is answered must be a row of the one table."""

import json
from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient

from crossgrain.operations.faults import TABLE

ROWS = {(row.status, row.code) for rows in TABLE.values() for row in rows.values()}


def issue_of(status: int, body: bytes) -> tuple[int, str]:
    """Status and issue code of an error, which must be an OperationOutcome and a row."""
    outcome = json.loads(body)
    assert outcome["resourceType"] == "OperationOutcome"
    found = status, outcome["issue"][0]["code"]
    assert found in ROWS, f"{found} is no row of the table of faults"
    return found


@pytest.fixture(autouse=True, scope="session")
def every_error_is_a_row() -> Iterator[None]:
    """Look at each error that any test is answered within this process."""
    asked = TestClient.request

    def request(self, *arguments, **named):  # type: ignore[no-untyped-def]
        answer = asked(self, *arguments, **named)
        if answer.status_code >= 400 and answer.request.method != "HEAD":
            issue_of(answer.status_code, answer.content)
        return answer

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(TestClient, "request", request)
        yield
