"""Flags of the screening as DetectedIssues and entries of a worklist, in either version."""

from datetime import date

import pytest

from crossgrain.names.identity import RESOURCE_SYSTEM, FhirVersion
from crossgrain.screening.course import Flag, FlagCode, FlagEvidence, FlagGrade, Urgency
from crossgrain.words.doses import CAUTION
from crossgrain.writing.issues import (
    SCREENING_SYSTEM,
    closed_entry,
    closed_issue,
    detected_issue,
    entry_id,
    issue_id,
    review_task,
    worklist_flag,
)
from crossgrain.writing.letterhead import Resource

BOTH, HALF = ("Observation/tsh-1", "MedicationRequest/lt4"), ("MedicationRequest/lt4",)


def flag(grade: FlagGrade = FlagGrade.LIKELY, urgency: Urgency = Urgency.SOON) -> Flag:
    return Flag(
        FlagCode.UNDER, grade, urgency, date(2025, 1, 6), frozenset(), frozenset(), {},
        frozenset(), "The dose was halved.", ("100 became 50.",),
        (
            FlagEvidence("TSH rose to 9.", BOTH),
            FlagEvidence("The order is for half.", HALF),
            FlagEvidence("No other result stands there.", ()),
        ),
        "Draw TSH.", "invented",
    )  # fmt: skip


FLAG = flag()
FOUND, CLOSED = date(2025, 3, 3), date(2025, 3, 4)
VERSIONS = pytest.mark.parametrize("version", list(FhirVersion))


def issue(of: Flag = FLAG, version: FhirVersion = FhirVersion.R4) -> Resource:
    return detected_issue("Patient/1", of, deployment="local", found_on=FOUND, version=version)


@pytest.mark.parametrize(
    ("version", "status"), [(FhirVersion.R4, "final"), (FhirVersion.R5, "mitigated")]
)
def test_a_flag_is_open_until_it_is_found_no_more_and_keeps_what_a_person_made_of_it(
    version: FhirVersion, status: str
) -> None:
    """R4 has no `mitigated` (DetectedIssue.status, R4 and R5): either server would refuse it."""
    found = issue(version=version)
    assert found["status"] == "preliminary"
    closed = closed_issue(found, closed_on=CLOSED, why="TSH clears it.", version=version)
    assert closed["status"] == status
    assert closed["mitigation"] == [{"action": {"text": "TSH clears it."}, "date": "2025-03-04"}]
    judged = {**found, "status": "entered-in-error"}
    assert closed_issue(judged, closed_on=CLOSED, why="x", version=version) is judged


def test_an_issue_says_what_was_found_on_what_it_rests_and_that_nothing_is_done_yet() -> None:
    found = issue()
    assert found["code"] == {
        "coding": [{"system": SCREENING_SYSTEM, **_code(FLAG.code)}],
        "text": _code(FLAG.code)["display"],
    }
    assert found["patient"] == {"reference": "Patient/1"}
    assert found["identifiedDateTime"] == "2025-03-03"
    assert found["implicated"] == [{"reference": reference} for reference in BOTH], "each once"
    assert found["detail"] == "The dose was halved. What to do: Draw TSH."
    assert "mitigation" not in found  # R4: what has been done, and nothing has
    grade, first, second, third = found["evidence"]
    assert grade["code"][0]["coding"] == [{"system": SCREENING_SYSTEM, **_code(FLAG.grade)}]
    assert first == {
        "code": [{"text": "TSH rose to 9."}],
        "detail": [{"reference": reference} for reference in BOTH],
    }
    assert second["detail"] == [{"reference": HALF[0]}]
    assert third == {"code": [{"text": "No other result stands there."}]}


def _code(code: str) -> dict[str, str]:
    return {"code": code, "display": DISPLAYS[code]}


DISPLAYS = {"under-dosed-switch": "Dose too low after a switch", "likely": "likely"}


def test_the_narrative_alone_tells_the_whole_of_a_flag() -> None:
    assert issue()["text"] == {
        "status": "generated",
        "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>The dose was halved.</p>'
        "<ul><li>100 became 50.</li></ul>"
        "<ul><li>TSH rose to 9.</li><li>The order is for half.</li>"
        "<li>No other result stands there.</li></ul>"
        f"<p>What to do next: Draw TSH.</p><p>Source: invented</p><p>{CAUTION}</p></div>",
    }


@pytest.mark.parametrize(
    ("grade", "urgency", "severity"),
    [
        (FlagGrade.CONFIRMED, Urgency.ROUTINE, "high"),
        (FlagGrade.LIKELY, Urgency.SOON, "moderate"),
        (FlagGrade.UNRESOLVED, Urgency.SOON, "moderate"),
        (FlagGrade.SUSPECTED, Urgency.SOON, "low"),
        (FlagGrade.SUSPECTED, Urgency.URGENT, "high"),
    ],
)
def test_an_issue_is_as_severe_as_it_is_sure_and_high_where_it_presses(
    grade: FlagGrade, urgency: Urgency, severity: str
) -> None:
    assert issue(flag(grade, urgency))["severity"] == severity


def test_a_flag_has_one_id_at_one_place_for_one_patient_and_another_anywhere_else() -> None:
    """The same id on every night closes what is no longer found; a shared one overwrites."""
    own = issue_id("local", "Patient/1", FLAG)
    assert issue()["id"] == own == issue_id("local", "Patient/1", flag(FlagGrade.CONFIRMED))
    assert issue()["identifier"] == [{"system": RESOURCE_SYSTEM, "value": own}]
    others = {issue_id("other", "Patient/1", FLAG), issue_id("local", "Patient/2", FLAG)}
    assert len(others | {own, entry_id(own, "Task"), entry_id(own, "Flag")}) == 5


@pytest.mark.parametrize(
    ("urgency", "priority"),
    [(Urgency.URGENT, "urgent"), (Urgency.SOON, "asap"), (Urgency.ROUTINE, "routine")],
)
def test_a_review_is_asked_for_as_pressingly_as_the_flag_is(
    urgency: Urgency, priority: str
) -> None:
    found = issue(flag(urgency=urgency))
    own = entry_id(found["id"], "Task")
    assert review_task("Patient/1", flag(urgency=urgency), found, found_on=FOUND) == {
        "resourceType": "Task",
        "id": own,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own}],
        "status": "requested",
        "intent": "proposal",
        "priority": priority,
        "code": {"text": "Review a past change of thyroid preparation"},
        "description": "The dose was halved. Draw TSH.",
        "focus": {"reference": f"DetectedIssue/{found['id']}"},
        "for": {"reference": "Patient/1"},
        "authoredOn": "2025-03-03",
        "note": [{"text": CAUTION}],
    }


def test_a_flag_on_the_chart_is_active_from_the_night_that_found_it() -> None:
    found = issue()
    own = entry_id(found["id"], "Flag")
    assert worklist_flag("Patient/1", FLAG, found, found_on=FOUND) == {
        "resourceType": "Flag",
        "id": own,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own}],
        "status": "active",
        "code": {
            "coding": [{"system": SCREENING_SYSTEM, **_code(FLAG.code)}],
            "text": "The dose was halved.",
        },
        "subject": {"reference": "Patient/1"},
        "period": {"start": "2025-03-03"},
    }


@pytest.mark.parametrize(
    ("version", "reason"),
    [
        (FhirVersion.R4, {"text": "TSH clears it."}),
        (FhirVersion.R5, {"concept": {"text": "TSH clears it."}}),
    ],
)
def test_a_review_that_nobody_has_begun_is_cancelled_with_its_reason(
    version: FhirVersion, reason: Resource
) -> None:
    """`Task.statusReason` is a CodeableConcept in R4 and a CodeableReference in R5."""
    task = review_task("Patient/1", FLAG, issue(), found_on=FOUND)
    closed = closed_entry(task, closed_on=CLOSED, why="TSH clears it.", version=version)
    assert closed == {**task, "status": "cancelled", "statusReason": reason}


@VERSIONS
def test_a_chart_flag_ends_on_the_day_it_is_closed_and_keeps_its_first_day(
    version: FhirVersion,
) -> None:
    shown = worklist_flag("Patient/1", FLAG, issue(), found_on=FOUND)
    closed = closed_entry(shown, closed_on=CLOSED, why="TSH clears it.", version=version)
    assert closed == {
        **shown,
        "status": "inactive",
        "period": {"start": "2025-03-03", "end": "2025-03-04"},
    }


@VERSIONS
def test_an_entry_that_a_person_has_taken_in_hand_is_left_as_it_is(version: FhirVersion) -> None:
    task = {**review_task("Patient/1", FLAG, issue(), found_on=FOUND), "status": "in-progress"}
    shown = {**worklist_flag("Patient/1", FLAG, issue(), found_on=FOUND), "status": "inactive"}
    for entry in (task, shown):
        assert closed_entry(entry, closed_on=CLOSED, why="x", version=version) is entry
