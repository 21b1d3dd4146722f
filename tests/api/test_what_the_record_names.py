"""What a record says beside the hormone reaches the answer, and what it denies does not."""

from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest

from .calls import QUERY

Post = Callable[..., httpx.Response]


def with_condition(record: dict[str, Any], words: str) -> dict[str, Any]:
    patient = next(
        e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    resource = {
        "resourceType": "Condition",
        "id": "in-words",
        "code": {"text": words},
        "subject": {"reference": f"Patient/{patient['id']}"},
    }
    return {**record, "entry": [*record["entry"], {"resource": resource}]}


def findings(answer: httpx.Response) -> set[str]:
    """The codes of the findings."""
    assert answer.status_code == 200, answer.text
    return {
        entry["resource"]["code"]["coding"][0]["code"]
        for entry in answer.json()["entry"]
        if entry["resource"]["resourceType"] == "DetectedIssue"
    }


@pytest.mark.parametrize(
    "words",
    ["No angina", "denies chest pain or angina", "negative for AF", "family history of MI"],
)
def test_a_condition_that_is_denied_in_words_raises_nothing_and_is_listed_as_not_taken(
    post: Post, record: dict[str, Any], words: str
) -> None:
    answer = post(with_condition(record, words), QUERY)
    assert findings(answer) == findings(post(record, QUERY))
    assert "its words deny what a safety rule looks for" in answer.text


@pytest.mark.parametrize(
    ("words", "finding"),
    [
        ("Angina, stable", "coronary-disease"),
        ("AF", "atrial-fibrillation"),
        ("history of MI", "coronary-disease"),
        ("rule out unstable angina", "unstable-angina"),
    ],
)
def test_a_condition_that_is_asserted_or_in_doubt_raises_its_finding(
    post: Post, record: dict[str, Any], words: str, finding: str
) -> None:
    assert finding in findings(post(with_condition(record, words), QUERY))
