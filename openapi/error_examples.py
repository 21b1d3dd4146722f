"""One real error per status for the OpenAPI document; a test holds them to the service."""

from typing import Any

from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Complaint, Fault
from crossgrain.operations.outcomes import operation_outcome

_ERRORS: dict[str, tuple[Fault, str | None, str]] = {
    "401": (Fault.UNAUTHENTICATED, None, "the caller is not known"),
    "403": (Fault.FORBIDDEN, None, "the token's scopes do not hold user/MedicationRequest.c"),
    "404": (Fault.NOT_FOUND, None, "there is nothing at this address"),
    "405": (Fault.METHOD, None, "this address does not take that method"),
    "406": (
        Fault.NOT_ACCEPTABLE,
        "http.Accept",
        "the answer is application/fhir+json or application/json",
    ),
    "408": (Fault.TOO_SLOW, None, "the body did not arrive within 20 seconds"),
    "412": (
        Fault.DATA_INCOMPLETE,
        "prefetch.medicationStatements",
        "MedicationStatement was not sent: no dose is judged on a part of what is taken",
    ),
    "413": (Fault.TOO_LARGE, None, "the body is larger than 4194304 bytes"),
    "415": (
        Fault.MEDIA_TYPE,
        "http.Content-Type",
        "send the body as application/fhir+json or application/json",
    ),
    "422": (
        Fault.OPTIONS_DISAGREE,
        "http.ratio",
        "ratio composes levothyroxine-liothyronine; the target is levothyroxine",
    ),
    "431": (Fault.HEADERS_TOO_LARGE, None, "the request's headers are too large"),
    "500": (Fault.INTERNAL, None, "the service failed; nothing was proposed"),
    "503": (Fault.BUSY, None, "too many requests at once; try again later"),
}


def error_examples(desk: Desk) -> dict[str, Any]:
    """Every example by its name, ``error-`` and the status."""
    known = ", ".join(option.name for option in desk.switch_options)
    words = f"this option is not known; known are: {known}"
    errors = {"400": (Fault.OPTION_UNKNOWN, "http.dose", words), **_ERRORS}
    return {
        f"error-{status}": {
            "summary": fault.value.replace("-", " "),
            "value": operation_outcome((Complaint(fault, expression, message),)),
        }
        for status, (fault, expression, message) in errors.items()
    }
