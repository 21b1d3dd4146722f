"""What can be wrong with a call: one table of every fault, and OperationOutcomes made from it.

A row says the status over HTTP, the issue code (http://hl7.org/fhir/issue-type, the same in R4 and
R5) and what the fault means. 400: the call is malformed. 422: it is well formed and cannot be
served. Questions about a record and safety stops are answers (200), not errors.

No other module picks a status or a code, or builds the OperationOutcome of an error.
"""

from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from enum import StrEnum
from typing import Any

from crossgrain.names.errors import Category as DomainCategory
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen
from crossgrain.reading.elements import ReadCategory, Unreadable


class Fault(StrEnum):
    """Faults of the call itself, beside those of the domain and of the reader."""

    OPTION_UNKNOWN = "option-unknown"
    OPTION_REPEATED = "option-repeated"
    OPTION_VALUE = "option-value"
    OPTION_MISSING = "option-missing"
    OPTIONS_DISAGREE = "options-disagree"
    INPUT_SHAPE = "input-shape"
    NOT_FOUND = "not-found"
    METHOD = "method"
    NOT_ACCEPTABLE = "not-acceptable"
    MEDIA_TYPE = "media-type"
    TOO_LARGE = "too-large"
    TOO_SLOW = "too-slow"
    RECORD_MISSING = "record-missing"
    NOT_INSTALLED = "not-installed"
    DATA_INCOMPLETE = "data-incomplete"
    UNAUTHENTICATED = "unauthenticated"
    FORBIDDEN = "forbidden"
    HEADERS_TOO_LARGE = "headers-too-large"
    TARGET_TOO_LONG = "target-too-long"
    TRANSFER_CODING = "transfer-coding"
    BUSY = "busy"
    NOT_READY = "not-ready"
    INTERNAL = "internal"


@frozen
class Row:
    """One fault: its status, its issue code, and its words, where no closer ones are at hand."""

    status: int
    code: str
    words: str


F, D, R = Fault, DomainCategory, ReadCategory
TABLE: Mapping[type[StrEnum], Mapping[str, Row]] = {
    Fault: {
        F.OPTION_UNKNOWN: Row(400, "not-supported", "an option is not known"),
        F.OPTION_REPEATED: Row(400, "invalid", "an option is given more than once"),
        F.OPTION_VALUE: Row(400, "value", "an option has a value that it does not take"),
        F.OPTION_MISSING: Row(400, "required", "a parameter that is required is missing"),
        F.INPUT_SHAPE: Row(400, "structure", "the call is not of the form that is expected"),
        F.UNAUTHENTICATED: Row(401, "login", "the caller is not known"),
        F.FORBIDDEN: Row(403, "forbidden", "the caller's token does not allow this"),
        F.NOT_FOUND: Row(404, "not-found", "there is nothing at this address"),
        F.METHOD: Row(405, "not-supported", "this address does not take that method"),
        F.NOT_ACCEPTABLE: Row(406, "not-supported", "there is no answer of this media type"),
        F.TOO_SLOW: Row(408, "timeout", "the request did not arrive in time"),
        F.DATA_INCOMPLETE: Row(
            412, "incomplete", "what every judgement needs did not come, and cannot be fetched"
        ),
        F.TOO_LARGE: Row(413, "too-long", "the body is too large"),
        F.TARGET_TOO_LONG: Row(414, "too-long", "the request's address is too long"),
        F.MEDIA_TYPE: Row(415, "not-supported", "the body is not FHIR JSON in UTF-8"),
        F.OPTIONS_DISAGREE: Row(
            422, "business-rule", "the options disagree with each other or with the record"
        ),
        F.RECORD_MISSING: Row(422, "required", "the record is missing"),
        F.NOT_INSTALLED: Row(422, "not-supported", "what is asked for needs an extra package"),
        F.HEADERS_TOO_LARGE: Row(431, "too-long", "the request's headers are too large"),
        F.INTERNAL: Row(500, "exception", "the service failed; nothing was proposed"),
        F.TRANSFER_CODING: Row(
            501, "not-supported", "of transfer codings only chunked is understood"
        ),
        F.BUSY: Row(503, "throttled", "too many requests at once; try again later"),
        F.NOT_READY: Row(503, "transient", "the service is not ready; try again later"),
    },
    DomainCategory: {
        D.INVALID: Row(400, "value", "an option has a value that it does not take"),
        D.CONFLICT: Row(
            422, "business-rule", "the options disagree with each other or with the record"
        ),
        D.OUT_OF_RANGE: Row(422, "business-rule", "a chart or a table does not reach this far"),
        D.NOTHING_TO_DO: Row(
            422, "business-rule", "the record already shows the regimen asked for"
        ),
    },
    ReadCategory: {
        R.STRUCTURE: Row(400, "structure", "the body is not JSON, or not of the form of FHIR"),
        R.VALUE: Row(400, "value", "the record has a value that FHIR does not allow there"),
        R.TOO_COSTLY: Row(413, "too-costly", "the record is too deep, or costs too much to read"),
        R.NOT_SUPPORTED: Row(
            422, "not-supported", "the record is of a version or kind that is not read"
        ),
        R.CONFLICT: Row(422, "business-rule", "parts of the record exclude each other"),
    },
}
"""By type first: members of two enumerations may have the same text."""


_MOST_LETTERS = 80
"""Longer words are compared with nothing: looking for the nearest costs their square."""


def nearest(said: object, known: Iterable[str]) -> str | None:
    """The known word that a word nearly is, if there is one."""
    if not isinstance(said, str) or len(said) > _MOST_LETTERS:
        return None
    near = get_close_matches(said, list(known), 1, 0.75)
    return near[0] if near else None


def did_you_mean(said: object, known: Iterable[str]) -> str:
    """What closes a complaint about a word that nearly is one of the known ones; else nothing.

    It names what is known and never what was said: that may be anything.

    >>> did_you_mean("targt", ["basis", "target"])
    '; did you mean target?'
    """
    near = nearest(said, known)
    return f"; did you mean {near}?" if near else ""


def row_of(category: StrEnum) -> Row:
    """The row of one fault: ours, the domain's or the reader's."""
    return TABLE[type(category)][category]


@frozen
class Complaint:
    """One fault: its category (ours, the domain's or the reader's), where, one sentence."""

    category: StrEnum
    expression: str | None
    message: str


class RequestRefused(Exception):
    """The call is unusable. Carries every complaint found; the first gives the status."""

    def __init__(self, *complaints: Complaint) -> None:
        super().__init__("; ".join(complaint.category for complaint in complaints))
        self.complaints = complaints

    @property
    def status(self) -> int:
        """The status over HTTP."""
        return row_of(self.complaints[0].category).status


def refusal(
    fault: Fault, expression: str | None = None, message: str | None = None
) -> RequestRefused:
    """A refusal for one reason, in the table's words where there are no closer ones."""
    return RequestRefused(Complaint(fault, expression, message or row_of(fault).words))


def refused_by_domain(error: DomainError, place: Callable[[str], str]) -> RequestRefused:
    """The domain's own error, its field placed where the caller can find it."""
    return RequestRefused(Complaint(error.category, place(error.field), error.message))


def refused_by_reader(error: Unreadable) -> RequestRefused:
    """The reader's own error, at the place that it names."""
    return RequestRefused(Complaint(error.category, error.expression, error.message))


def operation_outcome(complaints: tuple[Complaint, ...]) -> dict[str, Any]:
    """One issue per complaint, in the order given."""
    return {"resourceType": "OperationOutcome", "issue": [_issue(one) for one in complaints]}


def _issue(complaint: Complaint) -> dict[str, Any]:
    issue: dict[str, Any] = {
        "severity": "fatal" if complaint.category is Fault.INTERNAL else "error",
        "code": row_of(complaint.category).code,
        "diagnostics": complaint.message,
    }
    if complaint.expression:
        issue["expression"] = [complaint.expression]
    return issue
