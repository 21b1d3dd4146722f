"""Filing on a FHIR server: once however often it is sent, and never over what a person did."""

import json
from hashlib import sha256
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import httpx2 as httpx
import pytest
from fhir.resources.R4B.bundle import Bundle
from joserfc import jwt
from joserfc.jwk import ECKey, RSAKey
from tests.unit.nightly.exports import lines, make, run

from crossgrain.cli.sending import send_flags
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.fhir_server import (
    ASSERTION,
    LONGEST_WAIT_SECONDS,
    MOST_TRIES,
    Client,
    Server,
    Tokens,
    key_from,
)
from crossgrain.nightly.filing import send
from crossgrain.nightly.plan import RunRefused, Worklist

BASE = "https://ehr.example/fhir"


class FakeServer:
    """A FHIR server in memory: transactions with conditional create and versioned update."""

    def __init__(self) -> None:
        self.held: dict[str, dict[str, Any]] = {}
        self.bundles: list[dict[str, Any]] = []
        self.answers: list[httpx.Response | Exception] = []
        self.requests: list[httpx.Request] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        if self.answers:
            answer = self.answers.pop(0)
            if isinstance(answer, Exception):
                raise answer
            return answer
        if request.url.path.endswith("/_search"):
            return self._search(request)
        bundle = json.loads(request.content)
        Bundle.model_validate(bundle)
        self.bundles.append(bundle)
        urns: dict[str, str] = {}
        for entry in bundle["entry"]:
            urns[entry["fullUrl"]] = self._file(entry)
        for entry in bundle["entry"]:
            for resource in self.held.values():
                focus = resource.get("focus", {})
                if focus.get("reference") == entry["fullUrl"]:
                    focus["reference"] = urns[entry["fullUrl"]]
        return httpx.Response(200, json={"resourceType": "Bundle", "type": "transaction-response"})

    def _file(self, entry: dict[str, Any]) -> str:
        resource, asked = entry["resource"], entry["request"]
        value = resource["identifier"][0]["value"]
        there = self.held.get(value)
        if asked["method"] == "POST":
            assert asked["ifNoneExist"].endswith(f"|{value}")
            assert "id" not in resource
            if there is None:
                meta = {"versionId": "1"}
                there = {**resource, "id": f"srv{len(self.held)}", "meta": meta}
                self.held[value] = there
        else:
            assert there is not None
            assert asked["url"] == f"{resource['resourceType']}/{there['id']}"
            assert asked["ifMatch"] == f'W/"{there["meta"]["versionId"]}"'
            version = str(int(there["meta"]["versionId"]) + 1)
            self.held[value] = {**resource, "meta": {"versionId": version}}
        return f"{resource['resourceType']}/{self.held[value]['id']}"

    def _search(self, request: httpx.Request) -> httpx.Response:
        value = parse_qs(request.content.decode())["identifier"][0].rpartition("|")[2]
        found = [{"resource": self.held[value]}] if value in self.held else []
        bundle = {"resourceType": "Bundle", "type": "searchset", "entry": found}
        return httpx.Response(200, json=bundle)


@pytest.fixture
def fake() -> FakeServer:
    return FakeServer()


@pytest.fixture
def waits() -> list[float]:
    return []


@pytest.fixture
def server(fake, waits) -> Server:
    http = httpx.Client(transport=httpx.MockTransport(fake))
    return Server(BASE, FhirVersion.R4, http, wait=waits.append)


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("sent"), patients=200)


@pytest.fixture
def out(planted, tmp_path) -> Path:
    run(planted, tmp_path / "out", worklist=Worklist.TASK)
    return tmp_path / "out"


@pytest.mark.parametrize("name", ["DetectedIssue.ndjson", "Task.ndjson"])
@pytest.mark.parametrize("change", ["cut short", "gone", "another"])
def test_outputs_that_are_not_what_the_report_names_are_not_sent(out, fake, server, name, change):
    """The report comes last: before it, files of two nights may stand side by side."""
    path = out / name
    content = path.read_bytes()
    path.unlink()
    if change == "cut short":
        path.write_bytes(content[: content.index(b"\n") + 1])
    elif change == "another":
        path.write_bytes(content.replace(b"2025-03-03", b"2025-03-02"))
    with pytest.raises(RunRefused, match=f"{name}: this is not the file"):
        send(out, BASE, server)
    assert fake.requests == []
    path.write_bytes(content)
    assert send(out, BASE, server).created > 0


def test_a_worklist_that_the_report_does_not_name_is_not_sent(out, fake, server):
    """It is of another night."""
    flag = {"resourceType": "Flag", "id": "old", "identifier": [{"value": "old"}]}
    (out / "Flag.ndjson").write_text(json.dumps(flag) + "\n")
    send(out, BASE, server)
    assert "old" not in fake.held


def test_every_issue_and_task_is_filed_and_each_task_points_at_its_issue(out, fake, server):
    sent = send(out, BASE, server)
    issues = lines(out / "DetectedIssue.ndjson")
    assert sent.created == 2 * len(issues) == len(fake.held)
    assert sent.transactions == len(fake.bundles) > 1
    for task in (r for r in fake.held.values() if r["resourceType"] == "Task"):
        kind, _, own_id = task["focus"]["reference"].partition("/")
        assert kind == "DetectedIssue"
        assert any(r["id"] == own_id for r in fake.held.values())


def test_what_was_sent_is_not_sent_again(out, fake, server):
    first = send(out, BASE, server)
    fake.requests.clear()
    again = send(out, BASE, server)
    assert (again.created, again.replaced, again.unchanged) == (0, 0, first.created)
    assert fake.requests == []


def test_a_lost_memory_creates_nothing_twice(out, fake, server):
    send(out, BASE, server)
    held = len(fake.held)
    for memory in out.glob(".sent-*"):
        memory.unlink()
    send(out, BASE, server)
    assert len(fake.held) == held


def change_one(out: Path) -> str:
    """Let the first issue read differently, as a later night's new grade would make it."""
    issues = lines(out / "DetectedIssue.ndjson")
    issues[0]["detail"] += " More is known."
    text = "".join(json.dumps(issue) + "\n" for issue in issues)
    (out / "DetectedIssue.ndjson").write_text(text)
    report = json.loads((out / "report.json").read_text())
    report["outputs"]["DetectedIssue.ndjson"]["sha256"] = sha256(text.encode()).hexdigest()
    (out / "report.json").write_text(json.dumps(report))
    return issues[0]["id"]


def test_a_changed_issue_takes_the_place_of_the_version_that_was_looked_at(out, fake, server):
    send(out, BASE, server)
    own_id = change_one(out)
    sent = send(out, BASE, server)
    assert (sent.replaced, sent.created) == (1, 0)
    assert fake.held[own_id]["detail"].endswith("More is known.")
    assert fake.held[own_id]["meta"]["versionId"] == "2"


def test_what_a_person_has_judged_is_left_alone(out, fake, server):
    send(out, BASE, server)
    own_id = change_one(out)
    fake.held[own_id]["status"] = "final"
    before = dict(fake.held[own_id])
    sent = send(out, BASE, server)
    assert (sent.replaced, sent.judged_by_a_person) == (0, 1)
    assert fake.held[own_id] == before


def test_a_dry_run_files_nothing_and_remembers_nothing(out, fake, server):
    counted = send(out, BASE, server, dry_run=True)
    assert counted.created == 2 * len(lines(out / "DetectedIssue.ndjson"))
    assert fake.held == {}
    assert not list(out.glob(".sent-*"))


def test_no_patient_stands_in_an_address(out, fake, server):
    send(out, BASE, server)
    change_one(out)
    send(out, BASE, server)
    assert {str(r.url) for r in fake.requests} == {BASE, f"{BASE}/DetectedIssue/_search"}


@pytest.mark.parametrize("status", [408, 429, 500, 502, 503, 504])
def test_what_may_pass_is_tried_again_twice_as_long_each_time(out, fake, server, waits, status):
    fake.answers = [httpx.Response(status), httpx.Response(status), httpx.ConnectError("gone")]
    send(out, BASE, server)
    assert waits == [1, 2, 4]
    assert fake.held


def test_the_server_says_how_long_to_wait(out, fake, server, waits):
    fake.answers = [
        httpx.Response(429, headers={"Retry-After": "7"}),
        httpx.Response(503, headers={"Retry-After": "99999"}),
    ]
    send(out, BASE, server)
    assert waits == [7, LONGEST_WAIT_SECONDS]


def test_it_gives_up_in_the_end(out, fake, server, waits):
    fake.answers = [httpx.Response(503)] * MOST_TRIES
    with pytest.raises(RunRefused, match="6 tries"):
        send(out, BASE, server)
    assert len(waits) == MOST_TRIES - 1


@pytest.mark.parametrize("status", [400, 403, 404, 409, 412, 422])
def test_what_will_not_pass_is_not_tried_again(out, fake, server, waits, status):
    fake.answers = [httpx.Response(status, text="Patient/secret")]
    with pytest.raises(RunRefused, match=str(status)) as refused:
        send(out, BASE, server)
    assert "secret" not in str(refused.value)
    assert waits == []


@pytest.mark.parametrize("body", [b"{", b'{"resourceType": "\xff"}', b"[]"])
def test_an_answer_that_is_no_resource_ends_the_sending_in_words(out, fake, server, body):
    fake.answers = [httpx.Response(200, content=body)]
    with pytest.raises(RunRefused, match="did not answer with a FHIR resource"):
        send(out, BASE, server)


@pytest.mark.parametrize("body", [b"{", b'{"outputs": "\xff"}'])
def test_a_report_that_is_no_json_is_named(out, fake, server, body):
    (out / "report.json").write_bytes(body)
    with pytest.raises(RunRefused, match="it is not JSON"):
        send(out, BASE, server)
    assert fake.requests == []


def test_a_failure_midway_goes_on_from_there(out, fake, server):
    whole = fake.__call__
    fake.answers = []
    calls = 0

    def failing(request):
        nonlocal calls
        calls += 1
        return httpx.Response(422) if calls == 2 else whole(request)

    http = httpx.Client(transport=httpx.MockTransport(failing))
    with pytest.raises(RunRefused):
        send(out, BASE, Server(BASE, FhirVersion.R4, http))
    first = len(fake.held)
    sent = send(out, BASE, server)
    assert 0 < first < len(fake.held)
    assert sent.unchanged == first


class TestBackendServices:
    """SMART Backend Services, client_credentials with a signed assertion (SMART App Launch 2)."""

    def keys(self):
        return [
            RSAKey.generate_key(2048, {"kid": "k1"}),
            ECKey.generate_key("P-384", {"kid": "k2"}),
        ]

    def endpoint(self, seen, expires=300):
        def answer(request: httpx.Request) -> httpx.Response:
            if request.url.path.endswith("smart-configuration"):
                return httpx.Response(200, json={"token_endpoint": "https://auth.example/token"})
            seen.append(parse_qs(request.content.decode()))
            body = {"access_token": f"t{len(seen)}", "expires_in": expires, "token_type": "bearer"}
            return httpx.Response(200, json=body)

        return httpx.Client(transport=httpx.MockTransport(answer))

    @pytest.mark.parametrize("kind", [0, 1])
    def test_the_assertion_is_what_the_standard_asks_for(self, kind):
        key, seen = self.keys()[kind], []
        client = Client("me", key, "system/DetectedIssue.cru")
        tokens = Tokens(client, BASE, self.endpoint(seen), now=lambda: 1000.0)
        assert tokens.token() == "t1"
        (form,) = seen
        assert form["grant_type"] == ["client_credentials"]
        assert form["client_assertion_type"] == [ASSERTION]
        assert form["scope"] == ["system/DetectedIssue.cru"]
        signed = jwt.decode(form["client_assertion"][0], key, algorithms=["RS384", "ES384"])
        assert signed.header == {"alg": ("RS384", "ES384")[kind], "kid": key.kid, "typ": "JWT"}
        claims = signed.claims
        assert claims["iss"] == claims["sub"] == "me"
        assert claims["aud"] == "https://auth.example/token"
        assert claims["exp"] == 1300
        assert claims["jti"]

    def test_a_token_is_used_until_shortly_before_its_end_and_every_jti_once(self):
        seen, clock = [], [0.0]
        client = Client("me", self.keys()[1], "s", "https://auth.example/token")
        tokens = Tokens(client, BASE, self.endpoint(seen), now=lambda: clock[0])
        assert [tokens.token(), tokens.token()] == ["t1", "t1"]
        clock[0] = 239.0
        assert tokens.token() == "t1"
        clock[0] = 240.0
        assert tokens.token() == "t2"
        assert seen[0]["client_assertion"] != seen[1]["client_assertion"]

    def test_a_token_that_is_not_taken_is_renewed_once(self, out, fake):
        seen: list[Any] = []
        client = Client("me", self.keys()[1], "s", "https://auth.example/token")
        tokens = Tokens(client, BASE, self.endpoint(seen))
        http = httpx.Client(transport=httpx.MockTransport(fake))
        fake.answers = [httpx.Response(401)]
        send(out, BASE, Server(BASE, FhirVersion.R4, http, tokens))
        assert fake.requests[0].headers["Authorization"] == "Bearer t1"
        assert fake.requests[1].headers["Authorization"] == "Bearer t2"
        fake.answers = [httpx.Response(401), httpx.Response(401)]
        change_one(out)
        with pytest.raises(RunRefused, match="401"):
            send(out, BASE, Server(BASE, FhirVersion.R4, http, tokens))

    @pytest.mark.parametrize(
        "content",
        [
            "not JSON",
            "{}",
            json.dumps(RSAKey.generate_key(2048, {"kid": "k"}).as_dict(private=False)),
            json.dumps(ECKey.generate_key("P-256", {"kid": "k"}).as_dict(private=True)),
            json.dumps({"kty": "oct", "k": "c2VjcmV0", "kid": "k"}),
        ],
    )
    def test_a_key_that_does_not_serve_is_refused_without_being_shown(self, tmp_path, content):
        path = tmp_path / "key.json"
        path.write_text(content)
        with pytest.raises(RunRefused) as refused:
            key_from(path)
        assert "c2VjcmV0" not in str(refused.value)

    def test_a_private_key_in_a_file_is_read(self, tmp_path):
        for number, key in enumerate(self.keys()):
            path = tmp_path / f"{number}.json"
            path.write_text(json.dumps(key.as_dict(private=True)))
            assert key_from(path).kid == key.kid


def test_a_folder_without_a_finished_run_is_refused(tmp_path, capsys):
    assert send_flags(tmp_path, BASE, None, dry_run=True) == 1
    assert "no finished run" in capsys.readouterr().err
