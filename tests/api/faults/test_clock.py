"""The clock is set, forwards or back, between calls and within one: nothing lasts by it."""

import ast
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from tests.api import signing as s
from tests.api.calls import FHIR, LT4, PROPOSE, RECORD
from tests.api.conftest import STOPPED
from tests.api.hooks import ORDER, REVIEW, call, grains
from tests.unit.nightly.exports import AS_OF, bytes_of, make, run

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings
from crossgrain.nightly.workdir import WorkDir

SERVICE = Path(__file__).parents[3] / "service" / "crossgrain"
YEAR = 365 * 24 * 3600
KEPT = 300
MAY_READ_A_CLOCK = {
    "operations/desk.py": "the service's",
    "cli/screening.py": "which day the night is",
    "nightly/fhir_server.py": "when a token of ours has expired",
}


class Machine:
    """A clock that can be set, and seconds that only grow."""

    def __init__(self) -> None:
        self.set_by, self.passed = 0.0, 0.0

    def now(self) -> datetime:
        return s.at(s.NOW) + timedelta(seconds=self.set_by + self.passed)

    def ticks(self) -> float:
        return self.passed


class Issuer(httpx.AsyncBaseTransport):
    """Publishes keys and vouches for tokens; how often it was asked."""

    def __init__(self) -> None:
        self.asked = 0
        self.keys = s.key_set("es384")
        self.vouches: dict[str, Any] = {"active": True, **s.access_claims(exp=s.NOW + YEAR)}

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        await request.aread()
        self.asked += 1
        return httpx.Response(200, json=self.keys if request.method == "GET" else self.vouches)


@pytest.fixture
def machine() -> Machine:
    return Machine()


@pytest.fixture
def issuer() -> Issuer:
    return Issuer()


Serve = Callable[..., Any]


@pytest.fixture
def serve(catalogue: Catalogue, machine: Machine, issuer: Issuer) -> Serve:
    @contextmanager
    def serving(**settings: Any) -> Iterator[TestClient]:
        app = create_app(
            Settings(**settings), catalogue, clock=machine.now, transport=issuer,
            ticks=machine.ticks,
        )  # fmt: skip
        with TestClient(app) as client:
            yield client

    return serving


SIGNED = {
    "fhir_auth": "jwks",
    "oauth_issuer": s.AS,
    "oauth_audience": s.AUDIENCE,
    "oauth_jwks": "https://as.example/jwks",
}
ASKED_ABOUT = {
    "fhir_auth": "introspection",
    "oauth_audience": s.AUDIENCE,
    "introspection_url": "https://as.example/introspect",
    "introspection_client": "crossgrain",
    "introspection_secret": "hush",
}


def propose(client: TestClient, token: str = "", query: str = "") -> httpx.Response:
    headers = {**FHIR, **({"authorization": f"Bearer {token}"} if token else {})}
    return client.post(
        f"{PROPOSE}?target=desiccated-thyroid{query}", content=RECORD, headers=headers
    )


def test_a_token_is_judged_by_the_clock_as_it_stands(serve: Serve, machine: Machine) -> None:
    token = s.sign(s.access_claims(iat=s.NOW, nbf=s.NOW, exp=s.NOW + 600))
    with serve(**SIGNED) as client:
        seen = []
        for machine.set_by in (0, YEAR, -YEAR, 0):
            seen.append(propose(client, token).status_code)
    assert seen == [200, 401, 401, 200]


@pytest.mark.parametrize("set_by", [-YEAR, YEAR])
def test_a_key_set_ages_by_seconds_whatever_the_clock_says(
    serve: Serve, machine: Machine, issuer: Issuer, set_by: int
) -> None:
    token, new = (s.sign(s.access_claims(exp=s.NOW + 3 * YEAR), k) for k in ("es384", "next"))
    with serve(**SIGNED) as client:
        assert propose(client, token).status_code == 200
        machine.set_by = set_by
        assert propose(client, token).status_code == 200
        assert issuer.asked == 1  # it has not become old
        issuer.keys = s.key_set("next")
        machine.passed = KEPT + 1
        assert propose(client, new).status_code == 200  # nor has it stopped to age
        assert propose(client, token).status_code == 401


def test_a_vouched_token_is_asked_about_again_though_the_clock_was_set_back(
    serve: Serve, machine: Machine, issuer: Issuer
) -> None:
    with serve(**ASKED_ABOUT) as client:
        assert propose(client, "opaque").status_code == 200
        machine.set_by = -YEAR
        issuer.vouches = {"active": False}
        assert propose(client, "opaque").status_code == 200  # within the half minute
        machine.passed = 31
        assert propose(client, "opaque").status_code == 401


def test_a_used_token_stays_used_though_the_clock_goes_forwards_and_back(
    serve: Serve, machine: Machine, tmp_path: Path
) -> None:
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps(s.key_set("es384")))
    address = "/cds-services"

    def discover(jti: str, at: int) -> int:
        token = s.sign(s.claims(address, jti=jti, iat=at, exp=at + 120))
        headers = {"authorization": f"Bearer {token}"}
        return int(client.get(address, headers=headers).status_code)

    with serve(public_url=s.BASE, cds_auth="jwt", cds_issuers={s.ISSUER: str(keys)}) as client:
        assert discover("once", s.NOW) == 200
        machine.set_by = YEAR
        assert discover("other", s.NOW + YEAR) == 200
        machine.set_by = 0
        assert discover("once", s.NOW) == 401


def test_without_as_of_the_day_is_the_clocks_and_with_it_the_clock_is_nothing(
    serve: Serve, machine: Machine
) -> None:
    with serve() as client:
        today, given = propose(client).json(), propose(client, query="&as-of=2025-03-03").content
        machine.set_by = -YEAR
        year_ago = propose(client).json()
        assert propose(client, query="&as-of=2025-03-03").content == given
    assert day_of(today) - day_of(year_ago) == timedelta(days=365)
    assert day_of(today) == machine.now().astimezone(UTC).date() + timedelta(days=365)


def day_of(bundle: dict[str, Any]) -> date:
    moment = bundle["entry"][0]["resource"]["occurrenceDateTime"]
    return date.fromisoformat(moment[:10])


class Jumping:
    """A clock that is a year further each time that it is read."""

    def __init__(self) -> None:
        self.read = 0

    def __call__(self) -> datetime:
        self.read += 1
        return STOPPED + timedelta(days=365 * (self.read - 1))


CALLS: list[tuple[str, bytes, str]] = [
    (ORDER, json.dumps(call(LT4, [grains(60, "p01")])).encode(), "application/json"),
    (
        REVIEW,
        json.dumps(call("15-switched-at-half-the-dose.json", [], "patient-view")).encode(),
        "application/json",
    ),
    (f"{PROPOSE}?target=desiccated-thyroid", RECORD, FHIR["content-type"]),
    ("/sheet?target=desiccated-thyroid", RECORD, FHIR["content-type"]),
    ("/fhir/r4/$screen-switches", RECORD, FHIR["content-type"]),
    ("/fhir/r4/$next-step", RECORD, FHIR["content-type"]),
    ("/fhir/r4/$compare-bases", RECORD, FHIR["content-type"]),
]


@pytest.mark.parametrize(("path", "body", "media"), CALLS, ids=[path for path, _, _ in CALLS])
def test_a_clock_that_jumps_within_a_call_is_read_once(
    catalogue: Catalogue, path: str, body: bytes, media: str
) -> None:
    answers = []
    jumping = Jumping()
    for clock in (lambda: STOPPED, jumping):
        with TestClient(create_app(Settings(), catalogue, clock=clock)) as client:
            answer = client.post(path, content=body, headers={"content-type": media})
            assert answer.status_code == 200, answer.text
            answers.append(answer.content)
    assert answers[0] == answers[1]
    assert jumping.read == 1


def test_a_night_that_is_taken_up_on_another_day_begins_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of the patients read on one day and half on the next would be no night at all."""
    export, out, tomorrow = make(tmp_path, patients=60), tmp_path / "out", AS_OF + timedelta(days=1)

    def killed(_: WorkDir) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(WorkDir, "publish", killed)
        with pytest.raises(KeyboardInterrupt):
            run(export, out)
    report = run(export, out, as_of=tomorrow)
    assert not report["run"]["resumed"]
    run(export, tmp_path / "wanted", as_of=tomorrow)
    assert bytes_of(out) == bytes_of(tmp_path / "wanted")


def test_nothing_else_reads_a_clock_that_can_be_set() -> None:
    found = {
        path.relative_to(SERVICE).as_posix()
        for path in SERVICE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Attribute)
        and ast.unparse(node) in {"time.time", "datetime.now", "datetime.utcnow", "date.today"}
    }
    assert found == set(MAY_READ_A_CLOCK)
