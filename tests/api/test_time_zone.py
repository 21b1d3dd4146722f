"""A result of this evening counts today, also where UTC is a day ahead; and so does its stop."""

from typing import Any

import pytest

from .conftest import Post

QUERY = "?target=desiccated-thyroid&as-of=2025-03-03"
YORK = "&time-zone=America/New_York"
PREGNANT = {"coding": [{"system": "http://snomed.info/sct", "code": "77386006"}]}
LOCAL, BY_UTC = "2025-03-03T19:30:00-05:00", "2025-03-04T00:30:00Z"


def observed(record: dict[str, Any], loinc: str) -> dict[str, Any]:
    """The record's observation of that code."""
    resources = [entry["resource"] for entry in record["entry"]]
    return next(
        r
        for r in resources
        if r["resourceType"] == "Observation" and r["code"]["coding"][0]["code"] == loinc
    )


def pregnant(record: dict[str, Any], when: str) -> dict[str, Any]:
    seen = observed(record, "82810-3")
    seen.update(effectiveDateTime=when, valueCodeableConcept=PREGNANT)
    return record


@pytest.mark.parametrize("zone", [YORK, "", "&time-zone=UTC"])
@pytest.mark.parametrize("when", [LOCAL, BY_UTC])
def test_a_pregnancy_of_this_evening_stops_a_move_to_t3(
    post: Post, record: dict[str, Any], when: str, zone: str
) -> None:
    answer = post(pregnant(record, when), f"{QUERY}{zone}").json()
    assert answer["entry"][0]["resource"]["status"] == "success"
    assert not any(e["resource"]["resourceType"] == "CarePlan" for e in answer["entry"])


def test_one_instant_is_one_day_however_it_is_written(post: Post, record: dict[str, Any]) -> None:
    local, by_utc = (
        post(pregnant(record, when), f"{QUERY}{YORK}").text for when in (LOCAL, BY_UTC)
    )
    assert by_utc == local


def test_a_pulse_of_this_evening_is_heard(post: Post, record: dict[str, Any]) -> None:
    seen = observed(record, "8867-4")
    seen["valueQuantity"]["value"] = 130
    answers = []
    for when in (LOCAL, BY_UTC):
        seen["effectiveDateTime"] = when
        answers.append(post(record, f"{QUERY}{YORK}").text)
    assert answers[0] == answers[1]
