"""Findings, questions and flags, as DetectedIssues and as one OperationOutcome."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from typing import Any, Protocol

from crossgrain.names.identity import (
    FINDING_SYSTEM,
    RESOURCE_SYSTEM,
    FhirVersion,
    canonical,
    stable_id,
)
from crossgrain.reading.record import Question
from crossgrain.safety.rule import Finding, Severity
from crossgrain.screening.course import FlagCode, FlagGrade
from crossgrain.screening.writing import GRADES_IN_SHORT, REASONS
from crossgrain.words.doses import CAUTION
from crossgrain.writing.elements import bullets, narrative, paragraph, plain
from crossgrain.writing.forms import to_r5
from crossgrain.writing.letterhead import Letterhead, Resource, issue_name, to_confirm
from crossgrain.writing.origins import Origins


def own_concept(system: str, code: str, words: str) -> dict[str, Any]:
    """A code of our own with its display, as the code system has both."""
    return {"coding": [{"system": system, "code": code, "display": words}], "text": words}


def _detail(statement: str, act: str) -> str:
    """What was found and what to do; `mitigation` is for what has been done (R4), so none is."""
    return plain(f"{statement} What to do: {act}")


ISSUE_SEVERITY = {Severity.STOP: "high", Severity.HOLD: "moderate", Severity.NOTE: "low"}
OUTCOME_SEVERITY = {
    Severity.STOP: "error",
    Severity.HOLD: "warning",
    Severity.NOTE: "information",
}
SEVERITY_WORDS = {
    Severity.STOP: "STOP, no series is proposed until this is settled",
    Severity.HOLD: "HOLD, not to be started before this is done",
    Severity.NOTE: "Note",
}
_HOLD_AT_VISIT = "HOLD, no dose rises before this is done"


def detected_issues(letter: Letterhead) -> Iterator[Resource]:
    """One DetectedIssue per finding, most severe first."""
    origins = Origins(letter.proposal.record)
    for place, finding in enumerate(letter.findings):
        yield _detected_issue(letter, place, finding, origins)


def _detected_issue(letter: Letterhead, place: int, finding: Finding, origins: Origins) -> Resource:
    text = narrative(*map(paragraph, finding_words(letter, finding)))
    body = letter.head("DetectedIssue", issue_name(place), text)
    raised_by = [origins.reference_to(origin) for origin in finding.origins]
    body["status"] = "preliminary"  # a person has not judged it yet
    body["code"] = own_concept(FINDING_SYSTEM, finding.code, finding.title)
    body["severity"] = ISSUE_SEVERITY[finding.severity]
    body["patient"] = letter.patient
    body["identifiedDateTime"] = letter.authored
    if raised_by:
        body["implicated"] = raised_by
    body["evidence"] = [_evidence(finding, raised_by)]
    body["detail"] = _detail(finding.statement, finding.action)
    return body


def _evidence(finding: Finding, raised_by: list[dict[str, Any]]) -> dict[str, Any]:
    evidence: dict[str, Any] = {"code": [{"text": plain(f"Source: {finding.source}")}]}
    if raised_by:
        evidence["detail"] = [dict(reference) for reference in raised_by]
    return evidence


def finding_words(letter: Letterhead, finding: Finding) -> list[str]:
    """A finding for a reader: how grave, what, what to do, on whose word."""
    at_visit = letter.going_on and finding.severity is Severity.HOLD
    grave = _HOLD_AT_VISIT if at_visit else SEVERITY_WORDS[finding.severity]
    return [
        f"{grave}: {finding.statement}",
        f"What to do: {finding.action}",
        f"Source: {finding.source}",
    ]


def operation_outcome(letter: Letterhead) -> Resource:
    """Questions first, since nothing is computed before them; then findings; then the rest."""
    record = letter.proposal.record
    issues = [_asked(question) for question in record.questions]
    issues += [_found(finding) for finding in letter.findings]
    issues += [
        _issue("warning", "informational", to_confirm(c), [c.expression]) for c in record.confirm
    ]
    issues += [
        _issue("information", "informational", f"Passed over: {u.why}", [u.expression])
        for u in record.unread
    ]
    if not issues:
        words = "No safety finding and no open question."
        issues = [_issue("information", "informational", words, [])]
    return {"resourceType": "OperationOutcome", "id": "outcome", "issue": issues}


def _issue(severity: str, code: str, text: str, expressions: list[str]) -> dict[str, Any]:
    issue: dict[str, Any] = {
        "severity": severity,
        "code": code,
        "details": {"text": plain(text)},
    }
    if expressions:
        issue["expression"] = [plain(expression) for expression in expressions]
    return issue


def _asked(question: Question) -> dict[str, Any]:
    return _issue("error", "required", question.question, [question.expression])


def _found(finding: Finding) -> dict[str, Any]:
    severity = OUTCOME_SEVERITY[finding.severity]
    kind = "informational" if finding.severity is Severity.NOTE else "business-rule"
    paths = [origin for origin in finding.origins if _is_path(origin)]
    issue = _issue(severity, kind, finding.statement, paths)
    coded = own_concept(FINDING_SYSTEM, finding.code, finding.title)
    issue["details"] = {**coded, "text": plain(finding.statement)}
    issue["diagnostics"] = plain(f"What to do: {finding.action} Source: {finding.source}")
    return issue


def _is_path(origin: str) -> bool:
    return origin.startswith(("Bundle.", "Parameters."))


SCREENING_SYSTEM = canonical("CodeSystem", "screening")
"""Code system of what the screening finds, and of its grades."""

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
        "code": own_concept(SCREENING_SYSTEM, flag.code, REASONS[FlagCode(flag.code)]),
        "severity": "high" if flag.urgency == "urgent" else SEVERITY[flag.grade],
        "patient": {"reference": patient},
        "identifiedDateTime": found_on.isoformat(),
        "implicated": [{"reference": reference} for reference in references],
        "evidence": [
            {
                "code": [
                    own_concept(
                        SCREENING_SYSTEM, flag.grade, GRADES_IN_SHORT[FlagGrade(flag.grade)]
                    )
                ]
            },
            *map(_flag_evidence, flag.evidence),
        ],
        "detail": _detail(flag.statement, flag.act),
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
        "code": {
            **own_concept(SCREENING_SYSTEM, flag.code, REASONS[FlagCode(flag.code)]),
            "text": plain(flag.statement),
        },
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


def _flag_evidence(fact: _Fact) -> Resource:
    evidence: Resource = {"code": [{"text": plain(fact.statement)}]}
    if fact.references:
        evidence["detail"] = [{"reference": reference} for reference in fact.references]
    return evidence
