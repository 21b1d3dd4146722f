"""A flag of the nightly screening as a DetectedIssue, and as an entry of a worklist."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any, Protocol

from crossgrain.names.identity import RESOURCE_SYSTEM, FhirVersion, canonical, stable_id
from crossgrain.words.doses import CAUTION
from crossgrain.writing.issue_parts import own_concept, proposed_act
from crossgrain.writing.narrative import bullets, narrative, paragraph, plain
from crossgrain.writing.r5 import to_r5

SCREENING_SYSTEM = canonical("CodeSystem", "screening")
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


class _Fact(Protocol):
    @property
    def statement(self) -> str: ...
    @property
    def references(self) -> Sequence[str]: ...


class Flagged(Protocol):
    """A flag, be it the screening's own or one that was kept in a file overnight.

    `code`, `grade` and `urgency` are the screening's own; `switch`, the name of the switch, is
    part of the id of the resource.
    """

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


def issue_id(deployment: str, patient: str, flag: Flagged) -> str:
    """The id of a flag's DetectedIssue, the same on every night that finds it."""
    named = (deployment, patient, flag.code, flag.switch)
    return stable_id(f"screening|{'|'.join(named)}")


def detected_issue(
    patient: str, flag: Flagged, *, deployment: str, found_on: date, version: FhirVersion
) -> Resource:
    """The flag as a DetectedIssue that no person has judged yet."""
    own_id = issue_id(deployment, patient, flag)
    references = dict.fromkeys(r for fact in flag.evidence for r in fact.references)
    body: Resource = {
        "resourceType": "DetectedIssue",
        "id": own_id,
        "text": _narrative(flag),
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own_id}],
        "status": "preliminary",
        "code": own_concept(SCREENING_SYSTEM, flag.code),
        "severity": "high" if flag.urgency == "urgent" else SEVERITY[flag.grade],
        "patient": {"reference": patient},
        "identifiedDateTime": found_on.isoformat(),
        "implicated": [{"reference": reference} for reference in references],
        "evidence": [
            {"code": [own_concept(SCREENING_SYSTEM, flag.grade)]},
            *map(_evidence, flag.evidence),
        ],
        "detail": plain(flag.statement),
        "mitigation": proposed_act(flag.act),
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


def review_task(patient: str, flag: Flagged, issue: Resource, *, found_on: date) -> Resource:
    """A Task that asks for a flag to be looked at; the same in R4 and R5."""
    own_id = entry_id(issue["id"], "Task")
    return {
        "resourceType": "Task",
        "id": own_id,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own_id}],
        "status": "requested",
        "intent": "proposal",
        "priority": _PRIORITY[flag.urgency],
        "code": {"text": "Review a past change of thyroid preparation"},
        "description": plain(f"{flag.statement} {flag.act}"),
        "focus": {"reference": f"DetectedIssue/{issue['id']}"},
        "for": {"reference": patient},
        "authoredOn": found_on.isoformat(),
        "note": [{"text": CAUTION}],
    }


def worklist_flag(patient: str, flag: Flagged, issue: Resource, *, found_on: date) -> Resource:
    """A Flag on the patient's chart; the same in R4 and R5."""
    own_id = entry_id(issue["id"], "Flag")
    return {
        "resourceType": "Flag",
        "id": own_id,
        "identifier": [{"system": RESOURCE_SYSTEM, "value": own_id}],
        "status": "active",
        "code": {**own_concept(SCREENING_SYSTEM, flag.code), "text": plain(flag.statement)},
        "subject": {"reference": patient},
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


def _narrative(flag: Flagged) -> dict[str, str]:
    said = [paragraph(flag.statement), bullets(flag.arithmetic)]
    said += [bullets(fact.statement for fact in flag.evidence)]
    closing: Iterable[str] = (
        f"What to do next: {flag.act}",
        f"Source: {flag.source}",
        CAUTION,
    )
    return narrative(*said, *map(paragraph, closing))


def _evidence(fact: _Fact) -> Resource:
    evidence: Resource = {"code": [{"text": plain(fact.statement)}]}
    if fact.references:
        evidence["detail"] = [{"reference": reference} for reference in fact.references]
    return evidence
