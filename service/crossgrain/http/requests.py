"""From an HTTP request to the resource it carries and back, within bounds of size and time."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from crossgrain.http.settings import Settings
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.operations.desk import parse_resource
from crossgrain.operations.faults import Fault, RequestRefused, operation_outcome, refusal
from crossgrain.operations.parameters import Given, from_query
from crossgrain.writing.forms import to_json

_ROUNDS = 6
"""Of the loop between two computations: one accepts a connection, others read and answer."""


class Turns:
    """One request after the other is computed, and between two the server looks around.

    Computing holds the event loop. Without turns, of a hundred requests that arrive together a
    hundred are computed before the next probe is read, and whatever watches the service would
    take it for dead because it is busy.
    """

    def __init__(self) -> None:
        self._next = asyncio.Lock()

    async def come(self) -> None:
        """Wait for one's turn; what is computed next, without waiting, is within it."""
        async with self._next:
            for _ in range(_ROUNDS):
                await asyncio.sleep(0)


async def read_body(request: Request, settings: Settings) -> bytes:
    """The body, when it is its turn, or a refusal as soon as it is too large or too slow."""
    body = await _in_time(request, settings)
    await request.app.state.turns.come()
    return body


async def _in_time(request: Request, settings: Settings) -> bytes:
    declared = request.headers.get("content-length", "")
    if declared.isdecimal() and int(declared) > settings.max_body_bytes:
        raise _too_large(settings)
    try:
        async with asyncio.timeout(settings.body_seconds):
            return await _collect(request, settings)
    except TimeoutError:
        raise refusal(
            Fault.TOO_SLOW,
            None,
            f"the body did not arrive within {settings.body_seconds:g} seconds",
        ) from None


async def _collect(request: Request, settings: Settings) -> bytes:
    chunks: list[bytes] = []
    size = 0
    async for chunk in request.stream():
        size += len(chunk)
        if size > settings.max_body_bytes:
            raise _too_large(settings)
        chunks.append(chunk)
    return b"".join(chunks)


def _too_large(settings: Settings) -> Exception:
    return refusal(
        Fault.TOO_LARGE, None, f"the body is larger than {settings.max_body_bytes} bytes"
    )


FHIR_JSON = "application/fhir+json"
PLAIN_JSON = "application/json"
SPOKEN = (FHIR_JSON, PLAIN_JSON)

_FORMATS = {"json": FHIR_JSON, FHIR_JSON: FHIR_JSON, PLAIN_JSON: PLAIN_JSON}


@frozen
class Form:
    """How the answer is to be written."""

    media_type: str = FHIR_JSON
    pretty: bool = False


def check_content(headers: Mapping[str, str], version: FhirVersion) -> None:
    """Refuse a body that is not JSON in UTF-8, plain, in the route's FHIR version."""
    content_type = headers.get("content-type", "")
    media_type, parameters = _split(content_type)
    if media_type not in SPOKEN:
        sized = headers.get("content-length", "0") != "0" or "transfer-encoding" in headers
        none = "" if sized else "the body is empty: "
        words = f"{none}send a body as {FHIR_JSON} or {PLAIN_JSON}, and say so in Content-Type"
        raise refusal(Fault.MEDIA_TYPE, "http.Content-Type", words)
    if parameters.get("charset", "utf-8").lower() not in {"utf-8", "utf8"}:
        raise refusal(Fault.MEDIA_TYPE, "http.Content-Type", "FHIR's JSON is written in UTF-8")
    _check_version(Fault.MEDIA_TYPE, "http.Content-Type", parameters, version)
    if headers.get("content-encoding", "identity").lower() != "identity":
        raise refusal(
            Fault.MEDIA_TYPE, "http.Content-Encoding", "send the body without compression"
        )


def form_wanted(
    headers: Mapping[str, str], query: list[tuple[str, str]], version: FhirVersion
) -> Form:
    """The answer's media type and layout, from ``_format``, ``_pretty`` and Accept.

    ``_format`` goes before the header, as FHIR has it.
    """
    wanted = _once(query, "_format")
    if wanted is not None:
        # An unescaped plus sign in a URL arrives as a space.
        media_type = _FORMATS.get(wanted.replace(" ", "+").lower())
        if media_type is None:
            raise refusal(
                Fault.NOT_ACCEPTABLE,
                "http._format",
                f"_format is json, {FHIR_JSON} or {PLAIN_JSON}",
            )
    else:
        media_type = _accepted(headers.get("accept", "*/*"), version)
    return Form(media_type, _pretty(query))


def without_form(query: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """The query's options proper."""
    return [(name, value) for name, value in query if name not in {"_format", "_pretty"}]


def _accepted(accept: str, version: FhirVersion) -> str:
    best, parameters = preferred(accept, SPOKEN)
    _check_version(Fault.NOT_ACCEPTABLE, "http.Accept", parameters, version)
    return best


def preferred(accept: str, offered: Sequence[str]) -> tuple[str, Mapping[str, str]]:
    """Which of the media types offered is wanted most, the first of equals, and by what words.

    For each it is the range that names it most closely that says how much it is wanted, and whether
    it is taken at all: RFC 9110, 12.5.1. The words are the parameters of that range.

    Raises
    ------
    RequestRefused
        ``not-acceptable``, where none of them is taken.

    Examples
    --------
    >>> preferred("text/calendar, */*;q=0.1", ("text/html", "text/calendar"))[0]
    'text/calendar'
    >>> preferred("text/*, text/html;q=0", ("text/html", "text/calendar"))[0]
    'text/calendar'
    """
    asked = [_split(part) for part in accept.split(",")]
    ranked = []
    for media_type in offered:
        every = ("*/*", ""), (f"{media_type.partition('/')[0]}/*",), (media_type,)
        closest = [
            (closeness, _quality(parameters), parameters)
            for media_range, parameters in asked
            for closeness, ranges in enumerate(every)
            if media_range in ranges
        ]
        if closest:
            closeness, quality, parameters = max(closest, key=lambda one: one[:2])
            ranked.append((quality, closeness, media_type, parameters))
    best = max(ranked, key=lambda one: one[:2], default=None)
    if best is None or not best[0] > 0:
        raise refusal(Fault.NOT_ACCEPTABLE, "http.Accept", f"the answer is {' or '.join(offered)}")
    return best[2], best[3]


def takes_gzip(headers: Mapping[str, str]) -> bool:
    """Whether the answer may come compressed: by name, or by ``*`` where gzip is not named."""
    codings = dict(map(_split, headers.get("accept-encoding", "").split(",")))
    return _quality(codings.get("gzip", codings.get("*", {"q": "0"}))) > 0


def _quality(parameters: Mapping[str, str]) -> float:
    try:
        return float(parameters.get("q", "1"))
    except ValueError:
        return 0.0


def _check_version(
    fault: Fault, expression: str, parameters: Mapping[str, str], version: FhirVersion
) -> None:
    asked = parameters.get("fhirversion")
    if asked is not None and asked != version.number.rpartition(".")[0]:
        raise refusal(fault, expression, f"this route speaks FHIR {version.number}")


def _split(header: str) -> tuple[str, dict[str, str]]:
    media_type, *rest = header.split(";")
    pairs = (part.partition("=") for part in rest)
    parameters = {name.strip().lower(): value.strip().strip('"') for name, _, value in pairs}
    return media_type.strip().lower(), parameters


def _pretty(query: list[tuple[str, str]]) -> bool:
    wanted = _once(query, "_pretty")
    if wanted not in {None, "true", "false"}:
        raise refusal(Fault.OPTION_VALUE, "http._pretty", "_pretty is true or false")
    return wanted == "true"


def _once(query: list[tuple[str, str]], name: str) -> str | None:
    values = [value for key, value in query if key == name]
    if len(values) > 1:
        raise refusal(Fault.OPTION_REPEATED, f"http.{name}", f"{name} is given more than once")
    return values[0] if values else None


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
