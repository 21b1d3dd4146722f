"""The HTTP status of every kind of fault. No other module picks one.

400: the call is malformed. 422: it is well formed and cannot be served. Questions about a
record and safety stops are answers (200), not errors.
"""

from collections.abc import Mapping
from enum import StrEnum

from crossgrain.names.errors import Category as DomainCategory
from crossgrain.operations.faults import Fault
from crossgrain.reading.errors import Category as ReadCategory

_STATUSES: Mapping[type[StrEnum], Mapping[str, int]] = {
    Fault: {
        Fault.OPTION_UNKNOWN: 400,
        Fault.OPTION_REPEATED: 400,
        Fault.OPTION_VALUE: 400,
        Fault.OPTION_MISSING: 400,
        Fault.OPTIONS_DISAGREE: 422,
        Fault.INPUT_SHAPE: 400,
        Fault.NOT_FOUND: 404,
        Fault.METHOD: 405,
        Fault.NOT_ACCEPTABLE: 406,
        Fault.TOO_SLOW: 408,
        Fault.TOO_LARGE: 413,
        Fault.MEDIA_TYPE: 415,
        Fault.RECORD_MISSING: 422,
        Fault.DATA_INCOMPLETE: 412,
        Fault.UNAUTHENTICATED: 401,
        Fault.FORBIDDEN: 403,
        Fault.HEADERS_TOO_LARGE: 431,
        Fault.TARGET_TOO_LONG: 414,
        Fault.TRANSFER_CODING: 501,
        Fault.BUSY: 503,
        Fault.NOT_READY: 503,
        Fault.INTERNAL: 500,
    },
    DomainCategory: {
        DomainCategory.INVALID: 400,
        DomainCategory.CONFLICT: 422,
        DomainCategory.OUT_OF_RANGE: 422,
        DomainCategory.NOTHING_TO_DO: 422,
    },
    ReadCategory: {
        ReadCategory.STRUCTURE: 400,
        ReadCategory.VALUE: 400,
        ReadCategory.NOT_SUPPORTED: 422,
        ReadCategory.CONFLICT: 422,
        ReadCategory.TOO_COSTLY: 413,
    },
}


def status_of(category: StrEnum) -> int:
    """The status of one category."""
    return _STATUSES[type(category)][category]
