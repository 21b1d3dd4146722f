"""OperationOutcomes of errors. No other module builds one."""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from crossgrain.names.errors import Category as DomainCategory
from crossgrain.operations.faults import Complaint, Fault
from crossgrain.reading.errors import Category as ReadCategory

# Codes of http://hl7.org/fhir/issue-type, the same in R4 and R5.
_ISSUE_CODES: Mapping[type[StrEnum], Mapping[str, str]] = {
    Fault: {
        Fault.OPTION_UNKNOWN: "not-supported",
        Fault.OPTION_REPEATED: "invalid",
        Fault.OPTION_VALUE: "value",
        Fault.OPTION_MISSING: "required",
        Fault.OPTIONS_DISAGREE: "business-rule",
        Fault.INPUT_SHAPE: "structure",
        Fault.NOT_FOUND: "not-found",
        Fault.METHOD: "not-supported",
        Fault.NOT_ACCEPTABLE: "not-supported",
        Fault.MEDIA_TYPE: "not-supported",
        Fault.TOO_LARGE: "too-long",
        Fault.TOO_SLOW: "timeout",
        Fault.RECORD_MISSING: "required",
        Fault.DATA_INCOMPLETE: "incomplete",
        Fault.UNAUTHENTICATED: "login",
        Fault.FORBIDDEN: "forbidden",
        Fault.HEADERS_TOO_LARGE: "too-long",
        Fault.TARGET_TOO_LONG: "too-long",
        Fault.TRANSFER_CODING: "not-supported",
        Fault.BUSY: "throttled",
        Fault.NOT_READY: "transient",
        Fault.INTERNAL: "exception",
    },
    DomainCategory: {
        DomainCategory.INVALID: "value",
        DomainCategory.CONFLICT: "business-rule",
        DomainCategory.OUT_OF_RANGE: "business-rule",
        DomainCategory.NOTHING_TO_DO: "business-rule",
    },
    ReadCategory: {
        ReadCategory.STRUCTURE: "structure",
        ReadCategory.VALUE: "value",
        ReadCategory.NOT_SUPPORTED: "not-supported",
        ReadCategory.CONFLICT: "business-rule",
        ReadCategory.TOO_COSTLY: "too-costly",
    },
}


def operation_outcome(complaints: tuple[Complaint, ...]) -> dict[str, Any]:
    """One issue per complaint, in the order given."""
    return {"resourceType": "OperationOutcome", "issue": [_issue(one) for one in complaints]}


def _issue(complaint: Complaint) -> dict[str, Any]:
    issue: dict[str, Any] = {
        "severity": "fatal" if complaint.category is Fault.INTERNAL else "error",
        "code": _ISSUE_CODES[type(complaint.category)][complaint.category],
        "diagnostics": complaint.message,
    }
    if complaint.expression:
        issue["expression"] = [complaint.expression]
    return issue
