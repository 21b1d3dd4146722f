"""Plans of ours that wait, over nights: who is looked at, what a night does with them after."""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from fixtures.visits.chart import DAY_ONE, Chart, begun, desk, patient
from tests.unit.nightly.exports import found, lines, run, write

from crossgrain.app.factory import create_app
from crossgrain.http.settings import Settings
from crossgrain.nightly.sieve import OURS, Sieve

OVERDUE, UNANSWERED = "plan-labs-overdue", "plan-labs-unanswered"


@pytest.fixture
def chart() -> Chart:
    return begun("01-levothyroxine-150.json", "desiccated-thyroid")


@pytest.fixture
def titrated() -> Chart:
    """A new dose of the one medicine that is taken: with one kind there is no switch to judge."""
    chart = patient("01-levothyroxine-150.json")
    chart.result("tsh", -4, 9.0)
    chart.take_up(chart.next_step(0))
    return chart


def resources_of(chart: Chart) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in chart.bundle()["entry"]]


def night(folder: Path, chart: Chart, day: int, out: Path) -> list[dict[str, Any]]:
    """The issues about plans after a night that reads the chart on a day of the plan."""
    export = write(folder / f"export-{day}", resources_of(chart))
    run(export, out, as_of=DAY_ONE + timedelta(day))
    return [issue for issue in lines(out / "DetectedIssue.ndjson") if is_of_a_plan(issue)]


def is_of_a_plan(issue: dict[str, Any]) -> bool:
    return code_of(issue).startswith("plan-")


def code_of(issue: dict[str, Any]) -> str:
    return str(issue["code"]["coding"][0]["code"])


def codes(issues: list[dict[str, Any]], status: str = "preliminary") -> list[str]:
    return [code_of(issue) for issue in issues if issue["status"] == status]


def test_an_issue_stands_with_its_first_date_until_it_is_settled_and_is_then_closed(
    chart: Chart, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    (first,) = night(tmp_path, chart, 128, out)
    (again,) = night(tmp_path, chart, 130, out)
    assert (first["id"], first["identifiedDateTime"]) == (again["id"], again["identifiedDateTime"])
    assert codes([again]) == [OVERDUE]
    chart.result("tsh", 131, 6.4)
    issues = night(tmp_path, chart, 145, out)
    assert codes(issues) == [UNANSWERED]
    assert codes(issues, "final") == [OVERDUE]
    report = json.loads((out / "report.json").read_text())
    assert report["flags"][UNANSWERED] == {"observed": 1}
    assert OVERDUE not in report["flags"]
    assert report["patients"]["out"]["flagged"] == report["patients"]["in"] == 1


def test_a_plan_of_one_medicine_is_looked_at_too(titrated: Chart, tmp_path: Path) -> None:
    issues = night(tmp_path, titrated, 90, tmp_path / "out")
    assert codes(issues) == [OVERDUE]


def test_that_no_labs_came_is_said_once(chart: Chart, tmp_path: Path) -> None:
    """A switch without a TSH since is a finding of its own until the plan says so itself."""
    told = []
    for day in (126, 127):
        night(tmp_path, chart, day, tmp_path / str(day))
        issues = lines(tmp_path / str(day) / "DetectedIssue.ndjson")
        told.append({code_of(issue) for issue in issues} & {OVERDUE, "no-tsh-after-switch"})
    assert told == [{"no-tsh-after-switch"}, {OVERDUE}]


def test_without_our_extension_the_same_patient_is_not_read(
    titrated: Chart, tmp_path: Path
) -> None:
    """One kind of hormone: no change of preparation is there, and nothing else to look for."""
    bare = [{k: v for k, v in r.items() if k != "extension"} for r in resources_of(titrated)]
    run(write(tmp_path / "export", bare), tmp_path / "out", as_of=DAY_ONE + timedelta(90))
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert found(tmp_path / "out") == {}
    assert report["patients"]["out"]["no-switch"] == report["patients"]["in"] == 1


def test_a_care_plan_alone_makes_a_patient_looked_at(titrated: Chart, tmp_path: Path) -> None:
    """Its orders were filed by a system that keeps no extensions."""
    kept = [
        r if r["resourceType"] == "CarePlan" else {k: v for k, v in r.items() if k != "extension"}
        for r in resources_of(titrated)
    ]
    run(write(tmp_path / "export", kept), tmp_path / "out", as_of=DAY_ONE + timedelta(90))
    assert found(tmp_path / "out") == {f"Patient/{titrated.patient_id}": {(OVERDUE, "observed")}}


def test_only_a_line_that_carries_the_extension_is_marked(chart: Chart) -> None:
    sieve = Sieve(desk().catalogue.codes, desk().catalogue.preparations)
    for resource in resources_of(chart):
        look = sieve.look(json.dumps(resource).encode())
        ours = resource["resourceType"] != "ServiceRequest" and "switch-series" in str(
            resource.get("extension")
        )
        assert bool(look.kinds & OURS) is ours


def test_one_patients_call_gives_the_issue_of_the_night(chart: Chart, tmp_path: Path) -> None:
    (issue,) = night(tmp_path, chart, 128, tmp_path / "out")
    with TestClient(create_app(Settings(), desk().catalogue)) as client:
        answer = client.post(
            f"/fhir/r4/$screen-switches?as-of={DAY_ONE + timedelta(128)}",
            content=json.dumps(chart.bundle()),
            headers={"content-type": "application/fhir+json"},
        )
    assert answer.status_code == 200, answer.text
    (flagged,) = [
        entry["resource"]
        for entry in answer.json()["entry"]
        if entry["resource"]["resourceType"] == "DetectedIssue" and is_of_a_plan(entry["resource"])
    ]
    assert flagged == issue
