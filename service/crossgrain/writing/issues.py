"""Findings and questions, as DetectedIssues and as one OperationOutcome."""

from collections.abc import Iterator
from typing import Any

from crossgrain.names.identity import FINDING_SYSTEM
from crossgrain.reading.record import Question, Record
from crossgrain.safety.rule import Finding, Severity
from crossgrain.writing.issue_parts import own_concept, proposed_act
from crossgrain.writing.letterhead import Letterhead, Resource, issue_name, to_confirm
from crossgrain.writing.narrative import narrative, paragraph, plain

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


def detected_issues(letter: Letterhead) -> Iterator[Resource]:
    """One DetectedIssue per finding, most severe first."""
    origins = _Origins(letter.proposal.record)
    for place, finding in enumerate(letter.findings):
        yield _detected_issue(letter, place, finding, origins)


def _detected_issue(
    letter: Letterhead, place: int, finding: Finding, origins: "_Origins"
) -> Resource:
    text = narrative(*map(paragraph, finding_words(finding)))
    body = letter.head("DetectedIssue", issue_name(place), text)
    raised_by = [origins.reference_to(origin) for origin in finding.origins]
    body["status"] = "preliminary"  # a person has not judged it yet
    body["code"] = own_concept(FINDING_SYSTEM, finding.code)
    body["severity"] = ISSUE_SEVERITY[finding.severity]
    body["patient"] = letter.patient
    body["identifiedDateTime"] = letter.authored
    if raised_by:
        body["implicated"] = raised_by
    body["evidence"] = [_evidence(finding, raised_by)]
    body["detail"] = plain(finding.statement)
    body["mitigation"] = proposed_act(finding.action)
    return body


def _evidence(finding: Finding, raised_by: list[dict[str, Any]]) -> dict[str, Any]:
    evidence: dict[str, Any] = {"code": [{"text": plain(f"Source: {finding.source}")}]}
    if raised_by:
        evidence["detail"] = [dict(reference) for reference in raised_by]
    return evidence


def finding_words(finding: Finding) -> list[str]:
    """A finding for a reader: how grave, what, what to do, on whose word."""
    return [
        f"{SEVERITY_WORDS[finding.severity]}: {finding.statement}",
        f"What to do: {finding.action}",
        f"Source: {finding.source}",
    ]


class _Origins:
    """Where findings come from, by the input's own references."""

    def __init__(self, record: Record) -> None:
        self._patient = record.patient_reference
        self._known = frozenset(record.references)
        self._at = {entry.path: entry.reference for entry in (*record.drafts, *record.current)}
        self._at |= dict(zip(record.paths, record.references, strict=False))

    def reference_to(self, origin: str) -> dict[str, Any]:
        """A finding's origin as a Reference.

        An origin that leads to no resource we can name is shown as it is, not turned into a
        reference that might point elsewhere.
        """
        if origin == "Patient":
            return {"reference": self._patient}
        if origin in self._known:
            return {"reference": origin}
        path = origin
        while path:
            if path in self._at:
                return {"reference": self._at[path]}
            path = path.rpartition(".")[0]
        return {"display": plain(origin)}


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
    coded = own_concept(FINDING_SYSTEM, finding.code)
    issue["details"] = {**coded, "text": plain(finding.statement)}
    issue["diagnostics"] = plain(f"What to do: {finding.action} Source: {finding.source}")
    return issue


def _is_path(origin: str) -> bool:
    return origin.startswith(("Bundle.", "Parameters."))
