"""The door: which address asks for which token, and what a caller without one is told."""

import asyncio
import json
from typing import Any

import pytest
from starlette.types import Message, Receive, Scope, Send

from crossgrain.auth.guard import Guard, is_cds, is_operation
from crossgrain.auth.tokens import NotKnown, Unavailable, Why

PROPOSE = "/fhir/r4/$propose-switch"
DISCOVERY = "/cds-services"


class Mechanism:
    """Either mechanism: notes what it is asked, and says what a test wants."""

    def __init__(self, says: Any = ("user/*.*",)) -> None:
        self.says = says
        self.asked: list[tuple[str, ...]] = []

    async def scopes(self, token: str) -> Any:
        return self._say(token)

    async def admit(self, token: str, path: str) -> None:
        self._say(token, path)

    def _say(self, *asked: str) -> Any:
        self.asked.append(asked)
        if isinstance(self.says, Exception):
            raise self.says
        return self.says


class Passed(Exception):
    """The call went through the door."""


async def inside(scope: Scope, receive: Receive, send: Send) -> None:
    raise Passed


BEARER = (b"authorization", b"Bearer abc")


def told(
    path: str,
    *headers: tuple[bytes, bytes],
    cds: Mechanism | None = None,
    fhir: Mechanism | None = None,
    kind: str = "http",
) -> tuple[int, dict[str, str], dict[str, Any]] | None:
    """Status, headers and issue of the refusal; ``None`` where the call goes through."""
    sent: list[Message] = []

    async def send(message: Message) -> None:
        sent.append(message)

    async def receive() -> Message:
        pytest.fail("the body of a stranger was read")

    scope = {"type": kind, "method": "POST", "path": path, "headers": list(headers),
             "query_string": b""}  # fmt: skip
    try:
        asyncio.run(Guard(inside, cds, fhir)(scope, receive, send))  # type: ignore[arg-type]
    except Passed:
        return None
    start, body = sent
    written = {name.decode(): value.decode() for name, value in start["headers"]}
    (issue,) = json.loads(body["body"])["issue"]
    return start["status"], written, issue


@pytest.mark.parametrize(
    ("path", "cds", "operation"),
    [
        ("/cds-services", True, False),
        ("/cds-services/", True, False),
        ("/cds-services/thyroid-order", True, False),
        ("/cds-services/thyroid-order/feedback", True, False),
        ("/cds-services-of-others", False, False),
        ("/cds-service", False, False),
        ("/fhir/r4/$propose-switch", False, True),
        ("/fhir/r5/PlanDefinition/regimen-switch/$apply", False, True),
        ("/fhir/r4/$propose-switch/more", False, True),
        ("/fhir/r4/metadata", False, False),
        ("/fhir", False, False),
        ("/$propose-switch", False, False),
        ("/sheet", False, True),
        ("/sheet/next-step", False, True),
        ("/sheet/other", False, False),
        ("/sheets", False, False),
        ("/", False, False),
    ],
)
def test_every_address_is_of_one_mechanism_or_open(
    *, path: str, cds: bool, operation: bool
) -> None:
    assert (is_cds(path), is_operation(path)) == (cds, operation)
    mechanisms = {"cds": Mechanism(), "fhir": Mechanism()}
    assert told(path, BEARER, **mechanisms) is None
    assert mechanisms["cds"].asked == ([("abc", path)] if cds else [])
    assert mechanisms["fhir"].asked == ([("abc",)] if operation else [])
    assert (told(path, **mechanisms) is not None) is (cds or operation)


def test_a_mechanism_that_is_off_asks_nobody() -> None:
    assert told(PROPOSE, cds=Mechanism()) is None
    assert told(DISCOVERY, fhir=Mechanism()) is None
    assert told(PROPOSE) is None


@pytest.mark.parametrize("kind", ["lifespan", "websocket"])
def test_what_is_no_http_request_goes_by(kind: str) -> None:
    """The start and the stop of the service come by the same way."""
    assert told(PROPOSE, fhir=Mechanism(), kind=kind) is None


@pytest.mark.parametrize(
    "header",
    [b"Bearer abc", b"bearer abc", b"BEARER abc"],
)
def test_the_scheme_is_written_in_any_letters(header: bytes) -> None:
    """RFC 9110, section 11.1."""
    fhir = Mechanism()
    assert told(PROPOSE, (b"authorization", header), fhir=fhir) is None
    assert fhir.asked == [("abc",)]


@pytest.mark.parametrize(
    "headers",
    [
        [],
        [(b"authorization", b"")],
        [(b"authorization", b"Bearer")],
        [(b"authorization", b"Bearer ")],
        [(b"authorization", b"Bearer  abc")],
        [(b"authorization", b"Bearer abc ")],
        [(b"authorization", b"Bearer\tabc")],
        [(b"authorization", b"Bearer abc def")],
        [(b"authorization", b"Bearerabc")],
        [(b"authorization", b"abc")],
        [(b"authorization", b"Basic abc")],
        [(b"authorization", "Bearer äbc".encode())],
        [BEARER, BEARER],
        [BEARER, (b"authorization", b"Basic abc")],
        [(b"x-authorization", b"Bearer abc")],
    ],
    ids=str,
)
def test_without_one_bearer_token_nobody_is_asked_about(
    headers: list[tuple[bytes, bytes]],
) -> None:
    fhir = Mechanism()
    refused = told(PROPOSE, *headers, fhir=fhir)
    assert refused is not None
    assert refused[0] == 401
    assert fhir.asked == []


@pytest.mark.parametrize("path", [PROPOSE, DISCOVERY])
def test_a_stranger_is_challenged_and_learns_no_reason(path: str) -> None:
    """RFC 6750, section 3."""
    stranger = Mechanism(NotKnown(Why.USED))
    refused = told(path, BEARER, cds=stranger, fhir=stranger)
    assert refused is not None
    status, headers, issue = refused
    assert (status, headers["www-authenticate"]) == (401, "Bearer")
    assert issue == {
        "severity": "error",
        "code": "login",
        "diagnostics": "the caller is not known",
    }


@pytest.mark.parametrize("path", [PROPOSE, DISCOVERY])
def test_where_it_cannot_be_told_who_calls_the_caller_may_come_again(path: str) -> None:
    unreachable = Mechanism(Unavailable())
    refused = told(path, BEARER, cds=unreachable, fhir=unreachable)
    assert refused is not None
    status, headers, issue = refused
    assert (status, headers["retry-after"]) == (503, "5")
    assert issue == {
        "severity": "error",
        "code": "transient",
        "diagnostics": "who is calling cannot be told now; try again later",
    }


@pytest.mark.parametrize(
    ("path", "scopes", "needed"),
    [
        (PROPOSE, ("user/MedicationRequest.rs",), "user/MedicationRequest.c"),
        (PROPOSE, (), "user/MedicationRequest.c"),
        ("/sheet", ("user/MedicationRequest.rs",), "user/MedicationRequest.c"),
        ("/sheet/next-step", ("user/MedicationRequest.rs",), "user/MedicationRequest.c"),
        ("/fhir/r4/$compare-bases", ("user/MedicationRequest.c",), "user/MedicationRequest.r"),
        ("/fhir/r4/$screen-switches", ("openid",), "user/MedicationRequest.r"),
        (PROPOSE, ("openid", "user/MedicationRequest.c"), None),
        ("/fhir/r4/$compare-bases", ("user/MedicationRequest.r",), None),
        ("/fhir/r4/$screen-switches", ("user/MedicationRequest.r",), None),
    ],
)
def test_a_token_without_the_scope_is_told_which(
    path: str, scopes: tuple[str, ...], needed: str | None
) -> None:
    refused = told(path, BEARER, fhir=Mechanism(scopes))
    if needed is None:
        assert refused is None
        return
    assert refused is not None
    status, headers, issue = refused
    assert status == 403
    assert headers["www-authenticate"] == f'Bearer error="insufficient_scope", scope="{needed}"'
    assert issue == {
        "severity": "error",
        "code": "forbidden",
        "diagnostics": f"the token's scopes do not hold {needed}",
    }
