"""Any calls in any order: none breaks the service, none sees another, none leaves a trace."""

import json
import logging
from collections import Counter, deque
from collections.abc import Iterator
from datetime import datetime
from types import SimpleNamespace
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

import pytest
from fastapi.testclient import TestClient
from fhirpathpy import evaluate
from fhirpathpy.models import models
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    precondition,
    rule,
    run_state_machine_as_test,
)
from tests.properties.conversation.calls import PEOPLE, RECORDS, Call, broken, mark, sound
from tests.properties.reading.readable import elements

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

STOPPED = datetime(2025, 3, 2, 23, 30, tzinfo=ZoneInfo("Europe/Lisbon"))
FEW = settings(
    max_examples=25,
    stateful_step_count=30,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)


class Lines(logging.Handler):
    """Every line that any library logs."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep the line with all that hangs on it, but for the test's own client."""
        if not record.name.startswith("httpx"):
            more = getattr(record, "fields", "")
            self.lines.append(f"{record.name} {record.getMessage()} {record.exc_text} {more}")


@pytest.fixture(scope="module")
def service() -> Iterator[TestClient]:
    app = create_app(Settings(max_body_bytes=200_000), load_catalogue(), clock=lambda: STOPPED)
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


class Listener:
    """Holds one service to what must hold of every answer, over all that was said to it."""

    def __init__(self, service: Any, log: Lines) -> None:
        self.service, self.log = service, log
        self.answers: dict[Call, tuple[int, bytes]] = {}
        """What each call was answered the first time."""
        self.statuses: Counter[int] = Counter()

    def hear(self, call: Call) -> int:
        """Make a call and look at its answer, and at what was logged of it; its status."""
        begun = len(self.log.lines)
        answer = self.service.request(
            call.method, call.path, content=call.body, headers=dict(call.headers)
        )
        self.statuses[answer.status_code] += 1
        assert answer.status_code < 500, answer.text
        known = self.answers.setdefault(call, (answer.status_code, answer.content))
        assert known == (answer.status_code, answer.content), "another answer to the same call"
        for other in PEOPLE:
            seen = other != call.whose and mark(other).encode() in answer.content
            assert not seen, "somebody else is in the answer"
        assert len(self.log.lines) > begun
        assert not [line for line in self.log.lines[begun:] if "marked" in line], "it is logged"
        if answer.status_code >= 400:
            check_refusal(call, answer.json())
        return int(answer.status_code)


class Conversation(RuleBasedStateMachine):
    """Calls to one service that stands throughout."""

    listener: ClassVar[Listener]

    def __init__(self) -> None:
        super().__init__()
        self.made: list[Call] = []

    @rule(call=sound)
    def ask(self, call: Call) -> None:
        """A sound call is answered, or refused as one that the domain cannot serve."""
        self.made.append(call)
        assert self.listener.hear(call) in (200, 412, 422)

    @rule(call=broken())
    def attack(self, call: Call) -> None:
        """A broken one is refused, or answered where it happens to be sound still."""
        self.made.append(call)
        self.listener.hear(call)

    @precondition(lambda self: self.made)
    @rule(data=st.data())
    def repeat(self, data: st.DataObject) -> None:
        """A call that was made before, whatever came between."""
        self.listener.hear(data.draw(st.sampled_from(self.made)))


def check_refusal(call: Call, outcome: Any) -> None:
    """An OperationOutcome that says why, and where in what was sent."""
    assert outcome["resourceType"] == "OperationOutcome"
    assert outcome["issue"]
    for issue in outcome["issue"]:
        assert issue["severity"] in ("error", "fatal")
        assert issue["code"]
        assert issue["diagnostics"]
        for expression in issue.get("expression", ()):
            assert leads_into(call, expression), f"{call.path}: {expression}"


def leads_into(call: Call, expression: str) -> bool:
    """Whether an expression leads to what was sent, or to the place where it is missing."""
    if expression.startswith("http."):
        return True
    tree = json.loads(call.body)
    if call.path.startswith("/cds-services"):
        return leads_into_hook(tree, expression)
    if "." not in expression:
        return expression in tree or expression == tree.get("resourceType", expression)
    model = models["r5" if "/r5/" in call.path else "r4"]
    paths = (expression, f"{expression}.extension", parent(expression))
    return any(evaluate(tree, path, None, model) for path in paths)


HOOK = {"hook", "hookInstance", "context", "prefetch", "feedback", "Resource"}


def leads_into_hook(tree: Any, expression: str) -> bool:
    """The same for the body of a hook, which is no resource, so that the judge does not know it."""
    root = expression.partition(".")[0]
    if root not in tree:
        return root in HOOK  # missing where a hook has it
    above = parent(expression)
    return any(elements(tree, f"Hook.{path}") for path in (expression, above, parent(above)))


def parent(expression: str) -> str:
    """The path above the last step."""
    return expression.partition(".where(")[0].rpartition(".")[0] or expression


@pytest.fixture
def log() -> Iterator[Lines]:
    """What is logged from here on."""
    lines, root = Lines(), logging.getLogger()
    level = root.level
    root.addHandler(lines)
    root.setLevel(logging.DEBUG)
    yield lines
    root.removeHandler(lines)
    root.setLevel(level)


def test_no_conversation_breaks_the_service(service: TestClient, log: Lines) -> None:
    class Machine(Conversation):
        listener = Listener(service, log)

    run_state_machine_as_test(Machine, settings=FEW)
    statuses = Machine.listener.statuses
    print(f"{len(Machine.listener.answers)} calls, {dict(statuses)}")
    assert {200, 400, 404, 415, 422} <= statuses.keys()
    assert statuses[200] > statuses.total() / 4


# --- services that are at fault ----------------------------------------------------------------

Answer = Any


class Faulty:
    """The service with a fault planted in front of it."""

    def __init__(self, service: TestClient) -> None:
        self.service = service
        self.calls = 0
        self.last = b""

    def request(self, method: str, path: str, content: bytes, headers: dict[str, str]) -> Answer:
        """Answer as the service does, then spoil it."""
        answer = self.service.request(method, path, content=content, headers=headers)
        self.calls += 1
        spoilt = self.spoil(answer, content)
        self.last = content
        return spoilt

    def spoil(self, answer: Answer, content: bytes) -> Answer:
        """Nothing, unless a fault says otherwise."""
        return answer


def told(answer: Answer, content: bytes) -> Answer:
    return SimpleNamespace(
        status_code=answer.status_code, content=content, text="500", json=answer.json
    )


class Counting(Faulty):
    def spoil(self, answer: Answer, content: bytes) -> Answer:
        return told(answer, answer.content + b" " * self.calls)


class Leaking(Faulty):
    def spoil(self, answer: Answer, content: bytes) -> Answer:
        return told(answer, answer.content + self.last)


class Telling(Faulty):
    def spoil(self, answer: Answer, content: bytes) -> Answer:
        logging.getLogger("some.library").debug("got %s", content)
        return answer


class Failing(Faulty):
    def spoil(self, answer: Answer, content: bytes) -> Answer:
        if self.calls > 1:
            answer.status_code = 500
        return answer


class Misleading(Faulty):
    def spoil(self, answer: Answer, content: bytes) -> Answer:
        wrong = {"severity": "error", "code": "x", "diagnostics": "x", "expression": ["Bundle.a.b"]}
        outcome = {"resourceType": "OperationOutcome", "issue": [wrong]}
        if answer.status_code < 400:
            return answer
        return SimpleNamespace(
            status_code=answer.status_code,
            content=answer.content,
            text=answer.text,
            json=lambda: outcome,
        )


def sound_call(number: int) -> Call:
    path = "/fhir/r4/$propose-switch?target=liothyronine&as-of=2025-03-03"
    return Call(path, json.dumps(RECORDS["r4", number]).encode(), number)


EMPTY = Call("/fhir/r4/$propose-switch", b'{"resourceType": "Bundle"}')
TOLD = [sound_call(1), sound_call(2), EMPTY, sound_call(1)]


def test_a_service_without_fault_is_let_through(service: TestClient, log: Lines) -> None:
    listener = Listener(Faulty(service), log)
    assert [listener.hear(call) for call in TOLD] == [200, 200, 400, 200]


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Counting, "another answer to the same call"),
        (Leaking, "somebody else is in the answer"),
        (Telling, "it is logged"),
        (Failing, "500"),
        (Misleading, "Bundle.a.b"),
    ],
)
def test_a_service_at_fault_is_seen(
    service: TestClient, log: Lines, fault: type[Faulty], says: str
) -> None:
    listener = Listener(fault(service), log)
    with pytest.raises(AssertionError, match=says):
        deque(map(listener.hear, TOLD), maxlen=0)
