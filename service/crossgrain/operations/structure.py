"""The whole structure of a record against FHIR's own definitions, where a caller asks for it.

The reader checks what it reads; this checks the rest as well. It costs milliseconds, so it is
an option, and its library loads when it is first asked for.
"""

from typing import Any

from pydantic import ValidationError

from crossgrain.names.identity import FhirVersion
from crossgrain.operations.faults import Complaint, RequestRefused
from crossgrain.operations.parameters import Call
from crossgrain.reading.elements import ReadCategory, Unreadable
from crossgrain.reading.json import parse

MOST_COMPLAINTS = 20


def check_structure(call: Call, version: FhirVersion) -> None:
    """Refuse a record that is not valid FHIR of that version, saying where.

    Raises
    ------
    RequestRefused
        with one complaint per fault, the first twenty.
    """
    try:
        _model(version).model_validate(call.record)
    except ValidationError as wrong:
        raise RequestRefused(
            *(
                Complaint(ReadCategory.STRUCTURE, _path(call.root, error["loc"]), error["msg"])
                for error in wrong.errors(include_input=False)[:MOST_COMPLAINTS]
            )
        ) from None
    except (KeyError, TypeError, AttributeError):
        # What the library raises on a resourceType that its version of FHIR does not have.
        raise RequestRefused(
            Complaint(
                ReadCategory.STRUCTURE,
                call.root,
                f"a resource in it is of no type that FHIR {version.number} defines",
            )
        ) from None


def _model(version: FhirVersion) -> Any:
    if version is FhirVersion.R4:
        from fhir.resources.R4B.bundle import Bundle as R4Bundle  # noqa: PLC0415

        return R4Bundle
    from fhir.resources.bundle import Bundle as R5Bundle  # noqa: PLC0415

    return R5Bundle


def _path(root: str, location: tuple[int | str, ...]) -> str:
    steps = (f"[{step}]" if isinstance(step, int) else f".{step}" for step in location)
    return root + "".join(step for step in steps if step != ".root")


def parse_resource(body: bytes) -> dict[str, Any]:
    """The JSON object in `body`; a refusal says where it goes wrong."""
    try:
        return parse(body)
    except Unreadable as error:
        raise RequestRefused(Complaint(error.category, error.expression, error.message)) from error
