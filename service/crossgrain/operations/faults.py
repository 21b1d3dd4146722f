"""What can be wrong with a call, and how an error of any room becomes a complaint."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from crossgrain.names.errors import DomainError


class Fault(StrEnum):
    """Faults of the call itself; one module gives each a status, another an issue code."""

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
    DATA_INCOMPLETE = "data-incomplete"
    UNAUTHENTICATED = "unauthenticated"
    FORBIDDEN = "forbidden"
    HEADERS_TOO_LARGE = "headers-too-large"
    TARGET_TOO_LONG = "target-too-long"
    TRANSFER_CODING = "transfer-coding"
    BUSY = "busy"
    NOT_READY = "not-ready"
    INTERNAL = "internal"


@dataclass(frozen=True, slots=True)
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


def refusal(fault: Fault, expression: str | None, message: str) -> RequestRefused:
    """A refusal for one reason."""
    return RequestRefused(Complaint(fault, expression, message))


def refused_by_domain(error: DomainError, place: Callable[[str], str]) -> RequestRefused:
    """The domain's own error, its field placed where the caller can find it."""
    return RequestRefused(Complaint(error.category, place(error.field), error.message))
