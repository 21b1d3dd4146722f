"""A record that cannot be used as a whole is refused; nothing of it is answered."""

from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest

from .calls import COMPARE

QUERY = "?as-of=2025-03-03"

Change = Callable[[dict[str, Any]], object]


def a_second_patient(bundle: dict[str, Any]) -> None:
    other = {**bundle["entry"][0]["resource"], "id": "another"}
    bundle["entry"].insert(1, {"fullUrl": "urn:example:another", "resource": other})


@pytest.mark.parametrize(
    ("change", "status", "code", "expression"),
    [
        (a_second_patient, 422, "business-rule", "Bundle.entry[1].resource"),
        (lambda bundle: bundle.pop("entry"), 400, "structure", "Bundle"),
        (lambda bundle: bundle.update(entry={}), 400, "structure", "Bundle.entry"),
        (lambda bundle: bundle.update(entry=[1]), 400, "structure", "Bundle.entry[0]"),
        (lambda bundle: bundle.update(type="dose"), 422, "not-supported", "Bundle.type"),
        (
            lambda bundle: bundle.update(implicitRules="urn:example:rules"),
            422,
            "not-supported",
            "Bundle.implicitRules",
        ),
        (
            lambda bundle: bundle["entry"].insert(1, {"resource": {"resourceType": "Dose"}}),
            400,
            "structure",
            "Bundle.entry[1].resource",
        ),
    ],
)
def test_a_record_that_cannot_be_used_is_refused_where_it_fails(
    post: Callable[..., httpx.Response],
    record: dict[str, Any],
    change: Change,
    status: int,
    code: str,
    expression: str,
) -> None:
    change(record)
    answer = post(record, QUERY, COMPARE)
    (issue,) = answer.json()["issue"]
    assert (answer.status_code, issue["code"]) == (status, code)
    assert issue["expression"] == [expression]
    assert issue["diagnostics"]


def test_a_record_of_the_other_version_is_refused_by_the_element_that_shows_it(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    answer = post(record, QUERY, "/fhir/r5/$compare-bases")
    (issue,) = answer.json()["issue"]
    assert (answer.status_code, issue["code"]) == (422, "not-supported")
    assert "medicationCodeableConcept" in issue["diagnostics"]
    assert issue["expression"] == ["Bundle.entry[3].resource"]


def test_places_in_a_record_inside_parameters_start_at_the_parameters(
    post: Callable[..., httpx.Response],
    record: dict[str, Any],
    parameters: Callable[..., dict[str, Any]],
) -> None:
    a_second_patient(record)
    answer = post(parameters(), "", COMPARE)
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == ["Parameters.parameter[0].resource.entry[1].resource"]
