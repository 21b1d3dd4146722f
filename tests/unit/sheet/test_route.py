"""``POST /sheet``, the workbench's own routes, and ``crossgrain propose --sheet``."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from icalendar import Calendar
from tests.api.calls import FHIR
from tests.conformance.patients import CATALOGUE, FIXTURES, SCENARIO
from tests.conformance.r5_records import as_r5
from tests.unit.command import Ran, crossgrain
from tests.unit.sheet.pages import VERSION, parsed, sheet
from tests.unit.sheet.visits import VISITS

from crossgrain import __version__
from crossgrain.app.factory import create_app
from crossgrain.app.pages import Example, examples
from crossgrain.http.settings import Settings

FIRST = (FIXTURES / "patients" / "01-levothyroxine-150.json").read_bytes()
ASKED = "/sheet?target=desiccated-thyroid&as-of=2025-03-03"


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), CATALOGUE), raise_server_exceptions=False) as client:
        yield client


def test_the_route_answers_with_the_sheet_and_lets_no_one_keep_it(client: TestClient) -> None:
    answer = client.post(f"{ASKED}&locale=en-GB", content=FIRST, headers=FHIR)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "no-referrer"
    expected = sheet("01-levothyroxine-150.json").decode().replace(VERSION, __version__)
    # The plan's name holds the service's version.
    shown = [parsed(page).by_id("patient").text for page in (answer.content, expected.encode())]
    assert len({text.rpartition("Crossgrain")[0] for text in shown}) == 1


def test_the_header_holds_the_policy_of_the_page_and_no_outside_source(client: TestClient) -> None:
    answer = client.post(ASKED, content=FIRST, headers=FHIR)
    policy = answer.headers["content-security-policy"]
    written = answer.text.partition('Content-Security-Policy" content="')[2].partition('"')[0]
    assert policy.startswith(written.replace("&#39;", "'"))
    assert policy.endswith("frame-ancestors 'none'")
    assert "http" not in policy


def test_parameters_give_the_same_sheet_as_the_query(client: TestClient) -> None:
    parameters = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "record", "resource": json.loads(FIRST)},
            {"name": "target", "valueCode": "desiccated-thyroid"},
            {"name": "as-of", "valueDate": "2025-03-03"},
        ],
    }
    sent = client.post("/sheet", content=json.dumps(parameters), headers=FHIR)
    asked = client.post(ASKED, content=FIRST, headers=FHIR)
    assert sent.status_code == 200
    without_origins = [
        page.text.replace("Parameters.parameter[0].resource", "Bundle") for page in (sent, asked)
    ]
    assert without_origins[0] == without_origins[1]


def test_a_calendar_is_given_to_who_accepts_only_that(client: TestClient) -> None:
    answer = client.post(ASKED, content=FIRST, headers=FHIR | {"accept": "text/calendar"})
    assert answer.headers["content-type"].startswith("text/calendar")
    assert answer.headers["cache-control"] == "no-store"
    assert len(Calendar.from_ical(answer.content).walk("VEVENT")) > 3


@pytest.mark.parametrize(
    ("query", "headers", "status"),
    [
        ("?target=levothyroxin", {}, 400),
        ("?target=levothyroxine&ratio=15", {}, 422),
        ("?target=desiccated-thyroid&_format=json", {}, 400),
        ("?target=desiccated-thyroid", {"accept": "application/pdf"}, 406),
        ("?target=desiccated-thyroid", {"content-type": "text/plain"}, 415),
        (
            "?target=desiccated-thyroid",
            {"content-type": "application/fhir+json; fhirVersion=3.0"},
            415,
        ),
    ],
)
def test_an_unusable_call_is_an_operation_outcome(
    client: TestClient, query: str, headers: dict[str, str], status: int
) -> None:
    answer = client.post(f"/sheet{query}", content=FIRST, headers=FHIR | headers)
    assert answer.status_code == status
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_a_calendar_of_no_plan_is_refused(client: TestClient) -> None:
    body = (FIXTURES / "patients" / "11-adrenal-insufficiency.json").read_bytes()
    answer = client.post(ASKED, content=body, headers=FHIR | {"accept": "text/calendar"})
    assert answer.status_code == 406
    assert "there is no plan" in answer.json()["issue"][0]["diagnostics"]


def test_r5_is_named_in_the_content_type(client: TestClient) -> None:
    record = as_r5(json.loads(FIRST))
    named = {"content-type": "application/fhir+json; fhirVersion=5.0"}
    answers = (
        client.post(ASKED, content=FIRST, headers=FHIR),
        client.post(ASKED, content=json.dumps(record), headers=named),
    )
    days = [parsed(answer.content).all("ol", "steps")[0].text for answer in answers]
    assert days[0] == days[1]
    assert client.post(ASKED, content=FIRST, headers=named).status_code == 422


def test_the_workbench_offers_every_invented_patient_and_every_visit_as_it_is(
    client: TestClient,
) -> None:
    shelf = examples()
    patients = [(each["file"], "patients") for each in SCENARIO["patient"]]
    visits = [(f"{name}.json", "visits") for name in VISITS]
    assert [one.file for one in shelf] == [file for file, _ in (*patients, *visits)]
    for file, folder in (*patients, *visits):
        answer = client.get(f"/examples/{file}")
        assert answer.content == (FIXTURES / folder / file).read_bytes()
    page = client.get("/")
    assert page.status_code == 200
    assert page.headers["cache-control"] == "no-store"
    assert "unsafe" not in page.headers["content-security-policy"]
    assert [one.file in page.text for one in shelf] == [True] * len(shelf)


@pytest.mark.parametrize("one", [one for one in examples() if one.operation == "$next-step"],
                         ids=lambda one: one.file)  # fmt: skip
def test_a_visit_on_the_workbench_ends_as_its_list_says(client: TestClient, one: Example) -> None:
    asked = {"as-of": one.as_of, "stock": one.stock}
    answer = client.post(f"/fhir/r4/{one.operation}", params=asked, content=one.body, headers=FHIR)
    guidance = answer.json()["entry"][0]["resource"]
    act = VISITS[one.file.removesuffix(".json")]["act"]
    assert guidance["status"] == ("data-required" if act == "ask" else "success")
    assert f'{{"name":"act","valueCode":"{act}"}}' in answer.text
    sheet = client.post("/sheet/next-step", params=asked, content=one.body, headers=FHIR)
    assert "<h1>Next step: " in sheet.text


@pytest.mark.parametrize("name", ["..%2F..%2Fpyproject.toml", "17.json", "scenario.toml"])
def test_nothing_but_an_example_is_handed_out(client: TestClient, name: str) -> None:
    answer = client.get(f"/examples/{name}")
    assert answer.status_code == 404
    assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize(
    ("patient", "status"), [("01-levothyroxine-150.json", 0), ("11-adrenal-insufficiency.json", 2)]
)
def test_the_command_line_writes_the_page_that_http_sends(
    client: TestClient, tmp_path: Path, patient: str, status: int
) -> None:
    file, record = tmp_path / "sheet.html", FIXTURES / "patients" / patient
    ran = propose(record, file)
    sent = client.post(ASKED, content=record.read_bytes(), headers=FHIR)
    assert ran.returncode == status
    assert ran.stdout == b""
    assert file.read_bytes() == sent.content


def test_a_refused_call_writes_no_page(tmp_path: Path) -> None:
    file = tmp_path / "sheet.html"
    ran = propose(FIXTURES / "patients" / "01-levothyroxine-150.json", file, "--basis", "none")
    assert ran.returncode == 1
    assert "--basis" in ran.told_beside
    assert not file.exists()


def propose(record: Path, file: Path, *more: str) -> Ran:
    asked = ("--target", "desiccated-thyroid", "--as-of", "2025-03-03", "--sheet", file)
    return crossgrain("propose", record, *asked, *more)


def test_the_command_line_writes_the_same_page_as_the_route_serves(
    tmp_path: Path, client: TestClient
) -> None:
    file, out = FIXTURES / "visits" / "on-time.json", tmp_path / "sheet.html"
    day = VISITS["on-time"]["as_of"]
    done = crossgrain("next", str(file), "--as-of", day, "--sheet", str(out))
    assert done.returncode == 0, done.told_beside
    path = f"/sheet/next-step?as-of={day}"
    served = client.post(path, content=file.read_bytes(), headers=FHIR)
    assert served.headers["content-type"].startswith("text/html")
    assert out.read_bytes() == served.content


def test_a_visit_without_a_plan_has_no_dates(client: TestClient) -> None:
    body = (FIXTURES / "visits" / "infarction-in-mid-climb.json").read_bytes()
    day = VISITS["infarction-in-mid-climb"]["as_of"]
    headers = FHIR | {"accept": "text/calendar"}
    answer = client.post(f"/sheet/next-step?as-of={day}", content=body, headers=headers)
    assert answer.status_code == 406
