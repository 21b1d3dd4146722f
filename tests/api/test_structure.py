"""With ``validate``, a record that is not valid FHIR is refused at every fault.

fhir.resources is the judge: its models of R4 and R5 are generated from HL7's definitions.
"""

from collections.abc import Callable
from typing import Any

import httpx2 as httpx
import pytest

VALIDATED = "?target=desiccated-thyroid&as-of=2025-03-03&validate=true"


def faults(answer: httpx.Response) -> list[tuple[str, str]]:
    assert answer.status_code == 400, answer.text
    return [(issue["code"], issue["expression"][0]) for issue in answer.json()["issue"]]


def test_a_valid_record_is_answered(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    assert post(record, VALIDATED).status_code == 200


def test_every_fault_is_said_where_it_stands(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    record["entry"][3]["resource"]["dose"] = 150
    del record["entry"][2]["resource"]["subject"]
    assert faults(post(record, VALIDATED)) == [
        ("structure", "Bundle.entry[2].resource.subject"),
        ("structure", "Bundle.entry[3].resource.dose"),
    ]


def test_a_resource_type_that_does_not_exist_is_refused(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    record["entry"].append({"resource": {"resourceType": "Dose"}})
    assert faults(post(record, VALIDATED)) == [("structure", "Bundle")]


def test_a_record_of_the_other_version_is_refused(
    post: Callable[..., httpx.Response], record: dict[str, Any]
) -> None:
    # R5 renamed medicationCodeableConcept: HL7, MedicationStatement in R4 and R5.
    found = faults(post(record, VALIDATED, "/fhir/r5/$propose-switch"))
    assert ("structure", "Bundle.entry[3].resource.medicationCodeableConcept") in found


@pytest.mark.parametrize("value", ["false", "true"])
def test_what_the_reader_does_not_need_is_checked_only_where_asked_for(
    post: Callable[..., httpx.Response], record: dict[str, Any], value: str
) -> None:
    record["entry"][1]["resource"]["nickname"] = "x"
    answer = post(record, VALIDATED.replace("true", value))
    assert answer.status_code == (400 if value == "true" else 200)
