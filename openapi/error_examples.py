"""One real error per status for the OpenAPI document; tests hold them to the service."""

from collections.abc import Iterator
from typing import Any

from crossgrain.operations.desk import Desk
from crossgrain.operations.faults import Fault, RequestRefused, operation_outcome, refusal


def error_examples(desk: Desk) -> dict[str, Any]:
    """Every example by its name, ``error-`` and the status."""
    return {
        f"error-{refused.status}": {
            "summary": refused.complaints[0].category.replace("-", " "),
            "value": operation_outcome(refused.complaints),
        }
        for refused in _errors(desk)
    }


def _errors(desk: Desk) -> Iterator[RequestRefused]:
    known = ", ".join(option.name for option in desk.switch_options)
    yield refusal(
        Fault.OPTION_UNKNOWN, "http.dose", f"this option is not known; known are: {known}"
    )
    yield refusal(Fault.UNAUTHENTICATED)
    yield refusal(Fault.FORBIDDEN, None, "the token's scopes do not hold user/MedicationRequest.c")
    nearest = "/docs lists every address; did you mean /fhir/r4/$propose-switch?"
    yield refusal(Fault.NOT_FOUND, None, f"there is nothing at this address; {nearest}")
    takes = "it takes GET, HEAD, OPTIONS"
    yield refusal(Fault.METHOD, None, f"this address does not take that method; {takes}")
    yield refusal(
        Fault.NOT_ACCEPTABLE,
        "http.Accept",
        "the answer is application/fhir+json or application/json",
    )
    yield refusal(Fault.TOO_SLOW, None, "the body did not arrive within 20 seconds")
    yield refusal(
        Fault.DATA_INCOMPLETE,
        "prefetch.medicationStatements",
        "MedicationStatement was not sent: no dose is judged on a part of what is taken",
    )
    yield refusal(Fault.TOO_LARGE, None, "the body is larger than 8388608 bytes")
    yield refusal(Fault.TARGET_TOO_LONG)
    yield refusal(
        Fault.MEDIA_TYPE,
        "http.Content-Type",
        "send a body as application/fhir+json or application/json, and say so in Content-Type",
    )
    yield refusal(
        Fault.OPTIONS_DISAGREE,
        "http.ratio",
        "ratio composes levothyroxine-liothyronine; the target is levothyroxine",
    )
    yield refusal(Fault.HEADERS_TOO_LARGE)
    yield refusal(Fault.INTERNAL)
    yield refusal(Fault.TRANSFER_CODING)
    yield refusal(Fault.BUSY)
