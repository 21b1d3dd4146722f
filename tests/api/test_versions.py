"""``/fhir/r5`` reads and writes R5 as ``/fhir/r4`` does R4, and both propose the same doses."""

from collections.abc import Callable
from typing import Any

import httpx2 as httpx
from fhir.resources.bundle import Bundle as R5Bundle
from fhir.resources.R4B.bundle import Bundle as R4Bundle
from tests.conformance.r5_records import as_r5

from .calls import QUERY

R5 = "/fhir/r5/$propose-switch"


def resources(answer: httpx.Response, kind: str) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    found = [entry["resource"] for entry in answer.json()["entry"]]
    return [resource for resource in found if resource["resourceType"] == kind]


def doses(answer: httpx.Response) -> list[Any]:
    orders = resources(answer, "MedicationRequest")
    return [
        [order["dispenseRequest"], *(line["text"] for line in order["dosageInstruction"])]
        for order in orders
    ]


def test_r5_proposes_what_r4_does_in_its_own_shape(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    r4, r5 = post(record, QUERY), post(as_r5(record), QUERY, R5)
    assert len(doses(r4)) > 4
    assert doses(r5) == doses(r4)
    assert len(resources(r4, "RequestGroup")) == len(resources(r5, "RequestOrchestration")) == 1
    assert resources(r5, "RequestGroup") == []
    assert all("medication" in order for order in resources(r5, "MedicationRequest"))


def test_each_answer_is_valid_in_its_own_version(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    # fhir.resources: its models of R4 and R5 are generated from HL7's definitions.
    R4Bundle.model_validate_json(post(record, QUERY).content)
    R5Bundle.model_validate_json(post(as_r5(record), QUERY, R5).content)


def test_an_answer_in_the_wrong_version_is_not_accepted(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    answer = post(as_r5(record), QUERY, R5, accept="application/fhir+json; fhirVersion=4.0")
    assert answer.status_code == 406
    assert "5.0.0" in answer.json()["issue"][0]["diagnostics"]
