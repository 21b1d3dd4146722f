"""Flags of the screening as DetectedIssues: what their status says, in either version."""

from datetime import date

import pytest

from crossgrain.names.identity import FhirVersion
from crossgrain.screening.course import Flag, FlagCode, FlagGrade, Urgency
from crossgrain.writing.issues import closed_issue, detected_issue

FLAG = Flag(
    FlagCode.UNDER, FlagGrade.LIKELY, Urgency.SOON, date(2025, 1, 6), frozenset(), frozenset(), {},
    frozenset(), "The dose was halved.", (), (), "Draw TSH.", "invented",
)  # fmt: skip
FOUND, CLOSED = date(2025, 3, 3), date(2025, 3, 4)


@pytest.mark.parametrize(
    ("version", "status"), [(FhirVersion.R4, "final"), (FhirVersion.R5, "mitigated")]
)
def test_a_flag_is_open_until_it_is_found_no_more_and_keeps_what_a_person_made_of_it(
    version: FhirVersion, status: str
) -> None:
    """R4 has no `mitigated` (DetectedIssue.status, R4 and R5): either server would refuse it."""
    found = detected_issue("Patient/1", FLAG, deployment="local", found_on=FOUND, version=version)
    assert found["status"] == "preliminary"
    closed = closed_issue(found, closed_on=CLOSED, why="TSH clears it.", version=version)
    assert closed["status"] == status
    assert closed["mitigation"] == [{"action": {"text": "TSH clears it."}, "date": "2025-03-04"}]
    judged = {**found, "status": "entered-in-error"}
    assert closed_issue(judged, closed_on=CLOSED, why="x", version=version) is judged
