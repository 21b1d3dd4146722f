"""From an HTTP request to the resource it carries and back: the one path of every operation."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from crossgrain.http.limits import read_body
from crossgrain.http.negotiation import FHIR_JSON, check_content, form_wanted, without_form
from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.faults import RequestRefused, operation_outcome
from crossgrain.operations.parameters import Given, from_query
from crossgrain.operations.structure import parse_resource
from crossgrain.writing.forms import to_json

Operation = Callable[[dict[str, Any], Sequence[Given], FhirVersion], dict[str, Any]]
"""Takes the resource sent and the options beside it; gives the resource to answer with."""


async def serve(
    request: Request, operation: Operation, version: FhirVersion, settings: Settings
) -> Response:
    """Run one operation on one request."""
    query = request.query_params.multi_items()
    form = form_wanted(request.headers, query, version)
    check_content(request.headers, version)
    resource = parse_resource(await read_body(request, settings))
    answer = operation(resource, from_query(without_form(query)), version)
    return Response(
        to_json(answer, pretty=form.pretty),
        media_type=form.media_type,
        headers=preference_applied(request.headers),
    )


def preference_applied(headers: Mapping[str, str]) -> dict[str, str]:
    """What of ``Prefer`` is honoured, and so said: handling is always strict.

    Other preferences are ignored, as RFC 7240 allows.
    """
    wanted = {part.strip().lower() for part in headers.get("prefer", "").split(",")}
    if "handling=strict" not in wanted:
        return {}
    return {"Preference-Applied": "handling=strict"}


def refuse(refused: RequestRefused, headers: dict[str, str] | None = None) -> Response:
    """The error answer: always an OperationOutcome, with the status of the first complaint."""
    return Response(
        to_json(operation_outcome(refused.complaints)),
        status_code=refused.status,
        media_type=FHIR_JSON,
        headers=headers,
    )
