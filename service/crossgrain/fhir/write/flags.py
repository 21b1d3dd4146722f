"""A flag of the nightly screening as a DetectedIssue, and as an entry of a worklist."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Protocol

from crossgrain.fhir.identity import RESOURCE_SYSTEM, stable_id
from crossgrain.fhir.version import FhirVersion
from crossgrain.fhir.write.narrative import bullets, narrative, paragraph, plain
from crossgrain.fhir.write.r5 import to_r5
from crossgrain.fhir.write.words import CAUTION

SCREENING_SYSTEM = "urn:crossgrain:CodeSystem:screening"
"""Code system of what the screening finds, and of its grades."""

Resource = dict[str, Any]
SEVERITY = {
    "confirmed": "high",
    "likely": "moderate",
    "unresolved": "moderate",
    "suspected": "low",
    "observed": "low",
}
_PRIORITY = {"urgent": "urgent", "soon": "asap", "routine": "routine"}


@dataclass(frozen=True, slots=True)
class Finding:
    """A flag in plain values, as it is written.

    Attributes
    ----------
    patient : reference of the patient
    code, grade, urgency : the screening's own
    switch : name of the switch, part of the resource's id
    evidence : statements with the references that tell of each
    """

    patient: str
    code: str
    grade: str
    urgency: str
    switch: str
    statement: str
    arithmetic: Sequence[str]
    evidence: Sequence[tuple[str, Sequence[str]]]
    act: str
    source: str


class _Fact(Protocol):
    @property
    def statement(self) -> str: ...
    @property
    def references(self) -> Sequence[str]: ...


class Flagged(Protocol):
    """A flag, be it the screening's own or one that was kept in a file overnight."""

    @property
    def code(self) -> str: ...
    @property
    def grade(self) -> str: ...
    @property
    def urgency(self) -> str: ...
    @property
    def switch(self) -> str: ...
    @property
    def statement(self) -> str: ...
    @property
    def arithmetic(self) -> Sequence[str]: ...
    @property
    def evidence(self) -> Sequence[_Fact]: ...
    @property
    def act(self) -> str: ...
    @property
    def source(self) -> str: ...


def finding_of(patient: str, flag: Flagged) -> Finding:
    """A flag of the screening as it is written."""
    return Finding(
        patient=patient,
        code=flag.code,
        grade=flag.grade,
        urgency=flag.urgency,
        switch=flag.switch,
        statement=flag.statement,
        arithmetic=flag.arithmetic,
        evidence=[(e.statement, e.references) for e in flag.evidence],
        act=flag.act,
        source=flag.source,
    )


def issue_id(deployment: str, finding: Finding) -> str:
    """The id of a flag's DetectedIssue, the same on every night that finds it."""
    named = (deployment, finding.patient, finding.code, finding.switch)
    return stable_id(f"screening|{'|'.join(named)}")


def detected_issue(
    finding: Finding, *, deployment: str, found_on: date, version: FhirVersion
) -> Resource:
    """The flag as a DetectedIssue that no person has judged yet."""
    own_id = issue_id(deployment, finding)
    references = dict.fromkeys(r for _, told_by in finding.evidence for r in told_by)
    body: Resource = {
        "resourceType": "DetectedIssue",
        "id": own_id,
        "text": _narrative(finding),
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own_id}],
        "status": "preliminary",
        "code": _concept(finding.code),
        "severity": "high" if finding.urgency == "urgent" else SEVERITY[finding.grade],
        "patient": {"reference": finding.patient},
        "identifiedDateTime": found_on.isoformat(),
        "implicated": [{"reference": reference} for reference in references],
        "evidence": [
            {"code": [_concept(finding.grade)]},
            *(_evidence(statement, told_by) for statement, told_by in finding.evidence),
        ],
        "detail": plain(finding.statement),
        # `mitigation` is defined as what has been done, so the words must not pass for that.
        "mitigation": [{"action": {"text": plain(f"Proposed, not yet done: {finding.act}")}}],
    }
    return to_r5(body) if version is FhirVersion.R5 else body


def closed_issue(issue: Resource, *, closed_on: date, why: str, version: FhirVersion) -> Resource:
    """A DetectedIssue of an earlier night that is no longer found."""
    if issue["status"] != "preliminary":
        return issue
    mitigation = {"action": {"text": plain(why)}, "date": closed_on.isoformat()}
    status = "mitigated" if version is FhirVersion.R5 else "final"
    return {**issue, "status": status, "mitigation": [mitigation]}


def entry_id(own_id: str, kind: str) -> str:
    """The id of the worklist entry, a Task or a Flag, of the DetectedIssue `own_id`."""
    return stable_id(f"{own_id}|{kind}")


def review_task(finding: Finding, issue: Resource, *, found_on: date) -> Resource:
    """A Task that asks for a flag to be looked at; the same in R4 and R5."""
    own_id = entry_id(issue["id"], "Task")
    return {
        "resourceType": "Task",
        "id": own_id,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own_id}],
        "status": "requested",
        "intent": "proposal",
        "priority": _PRIORITY[finding.urgency],
        "code": {"text": "Review a past change of thyroid preparation"},
        "description": plain(f"{finding.statement} {finding.act}"),
        "focus": {"reference": f"DetectedIssue/{issue['id']}"},
        "for": {"reference": finding.patient},
        "authoredOn": found_on.isoformat(),
        "note": [{"text": CAUTION}],
    }


def worklist_flag(finding: Finding, issue: Resource, *, found_on: date) -> Resource:
    """A Flag on the patient's chart; the same in R4 and R5."""
    own_id = entry_id(issue["id"], "Flag")
    return {
        "resourceType": "Flag",
        "id": own_id,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own_id}],
        "status": "active",
        "code": {**_concept(finding.code), "text": plain(finding.statement)},
        "subject": {"reference": finding.patient},
        "period": {"start": found_on.isoformat()},
    }


def closed_entry(entry: Resource, *, closed_on: date, why: str, version: FhirVersion) -> Resource:
    """A Task or Flag of an earlier night whose issue is closed."""
    if entry["resourceType"] == "Task":
        if entry["status"] != "requested":
            return entry
        reason: Resource = {"text": plain(why)}
        if version is FhirVersion.R5:
            reason = {"concept": reason}
        return {**entry, "status": "cancelled", "statusReason": reason}
    if entry["status"] != "active":
        return entry
    return {
        **entry,
        "status": "inactive",
        "period": {**entry["period"], "end": closed_on.isoformat()},
    }


def _narrative(finding: Finding) -> dict[str, str]:
    said = [paragraph(finding.statement), bullets(finding.arithmetic)]
    said += [bullets(statement for statement, _ in finding.evidence)]
    closing: Iterable[str] = (
        f"What to do next: {finding.act}",
        f"Source: {finding.source}",
        CAUTION,
    )
    return narrative(*said, *map(paragraph, closing))


def _evidence(statement: str, told_by: Sequence[str]) -> Resource:
    evidence: Resource = {"code": [{"text": plain(statement)}]}
    if told_by:
        evidence["detail"] = [{"reference": reference} for reference in told_by]
    return evidence


def _concept(code: str) -> Resource:
    words = code.replace("-", " ")
    return {
        "coding": [{"system": SCREENING_SYSTEM, "code": code, "display": words}],
        "text": words,
    }
