"""From night to night: raised once, found again with its first date, closed, carried."""

import json
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from fhir.resources.detectedissue import DetectedIssue as DetectedIssueR5
from fhir.resources.flag import Flag as FlagR5
from fhir.resources.R4B.detectedissue import DetectedIssue
from fhir.resources.R4B.flag import Flag
from fhir.resources.R4B.task import Task
from fhir.resources.task import Task as TaskR5
from tests.unit.nightly.exports import bytes_of, lines, make, run, truth

from crossgrain.nightly.plan import Worklist

SECOND = date(2025, 3, 4)


def by_id(out: Path) -> dict[str, dict[str, Any]]:
    return {issue["id"]: issue for issue in lines(out / "DetectedIssue.ndjson")}


def without(export: Path, folder: Path, kind: str, keep) -> Path:
    """A copy of an export with only those resources of a kind that `keep` keeps."""
    folder.mkdir()
    for path in export.iterdir():
        kept = [r for r in lines(path) if not path.name.startswith(f"{kind}.") or keep(r)]
        (folder / path.name).write_text("".join(json.dumps(r) + "\n" for r in kept))
    return folder


@pytest.fixture
def out(screened, tmp_path) -> Path:
    """Where the first night has written."""
    return shutil.copytree(screened, tmp_path / "out")


@pytest.fixture
def one(export) -> str:
    """A patient who is confirmed on the first night."""
    return min(p for p, said in truth(export).items() if said["story"] == "confirmed_under")


@pytest.fixture
def better(export, one, tmp_path) -> Path:
    """The export of the second night, in which that patient's last TSH is in range."""

    def corrected(resource):
        quantity = resource["valueQuantity"]
        if resource["subject"]["reference"] == one and quantity["value"] == 9.4:
            quantity["value"] = 2.4
        return True

    return without(export, tmp_path / "better", "Observation", corrected)


def issue_of(out: Path, patient: str) -> dict[str, Any]:
    (issue,) = (i for i in by_id(out).values() if i["patient"]["reference"] == patient)
    return issue


def test_a_second_night_raises_nothing_twice(export, out):
    first = by_id(out)
    assert json.loads((out / "report.json").read_text())["issues"] == {"raised": len(first)}
    assert run(export, out, as_of=SECOND)["issues"]["found again"] == len(first)
    again = by_id(out)
    assert set(again) >= set(first)
    assert {i["identifiedDateTime"] for i in again.values() if i["id"] in first} == {"2025-03-03"}


def test_the_same_night_again_gives_the_same_bytes(export, out):
    before = bytes_of(out)
    run(export, out)
    assert bytes_of(out)["DetectedIssue.ndjson"] == before["DetectedIssue.ndjson"]


def test_what_is_found_no_more_is_closed_with_the_reason(better, one, out):
    report = run(better, out, as_of=SECOND)
    assert report["issues"]["closed"] == 1
    issue = issue_of(out, one)
    assert issue["status"] == "final"
    (mitigation,) = issue["mitigation"]
    assert mitigation["date"] == "2025-03-04"
    assert "clears it" in mitigation["action"]["text"]
    DetectedIssue.model_validate(issue)


def test_a_closed_issue_stays_closed_and_is_raised_again_with_a_new_date(export, better, one, out):
    run(better, out, as_of=SECOND)
    closed = issue_of(out, one)
    assert run(better, out, as_of=date(2025, 3, 5))["issues"]["closed before"] == 1
    assert issue_of(out, one) == closed
    run(export, out, as_of=date(2025, 3, 6))
    again = issue_of(out, one)
    assert (again["id"], again["status"]) == (closed["id"], "preliminary")
    assert again["identifiedDateTime"] == "2025-03-06"


def test_nothing_is_closed_where_the_export_is_not_whole(better, one, out):
    with (better / "Condition.000.ndjson").open("a") as file:
        file.write("{\n")
    report = run(better, out, as_of=SECOND)
    assert "closed" not in report["issues"]
    assert issue_of(out, one)["status"] == "preliminary"


def test_a_flag_that_since_leaves_out_is_not_closed(export, out):
    raised = len(by_id(out))
    report = run(export, out, since=date(2025, 1, 1))
    assert 0 < report["flags_before_since"] < raised
    assert report["issues"]["carried"] == report["flags_before_since"]
    assert "closed" not in report["issues"]


def test_since_counts_the_day_of_the_switch_itself(export, out):
    days = _switched(out)
    middle = days[len(days) // 2]
    later = out.with_name("later")
    run(export, later, since=date.fromisoformat(middle))
    assert _switched(later) == [day for day in days if day >= middle]


def _switched(out: Path) -> list[str]:
    """The days of the switches that issues are about; those about a plan have none."""
    issues = lines(out / "DetectedIssue.ndjson")
    return sorted(
        _switched_on(issue)
        for issue in issues
        if not issue["code"]["coding"][0]["code"].startswith("plan-")
    )


def _switched_on(issue: dict[str, Any]) -> str:
    return issue["evidence"][2]["code"][0]["text"].rpartition("since ")[2]


@pytest.mark.parametrize(
    ("version", "issue_model", "task_model", "flag_model"),
    [("r4", DetectedIssue, Task, Flag), ("r5", DetectedIssueR5, TaskR5, FlagR5)],
)
def test_what_is_written_is_fhir(tmp_path, version, issue_model, task_model, flag_model):
    export, out = make(tmp_path, "--version", version, patients=120), tmp_path / "out"
    for worklist, model in ((Worklist.TASK, task_model), (Worklist.FLAG, flag_model)):
        run(export, out, worklist=worklist)
        issues = lines(out / "DetectedIssue.ndjson")
        entries = lines(out / f"{worklist.capitalize()}.ndjson")
        assert len(issues) == len(entries) > 50
        for resource in issues:
            issue_model.model_validate(resource)
        for resource in entries:
            model.model_validate(resource)


@pytest.mark.parametrize("worklist", [Worklist.TASK, Worklist.FLAG])
def test_the_entry_of_a_closed_issue_is_closed_too(export, better, one, tmp_path, worklist):
    out = tmp_path / "with-a-worklist"
    run(export, out, worklist=worklist)
    run(better, out, as_of=SECOND, worklist=worklist)
    entries = lines(out / f"{worklist.capitalize()}.ndjson")
    (entry,) = [e for e in entries if (e.get("for") or e.get("subject"))["reference"] == one]
    assert entry["status"] == ("cancelled" if worklist is Worklist.TASK else "inactive")


def test_the_worklist_comes_most_pressing_first_and_of_those_most_certain(out):
    pressing = ["urgent", "soon", "routine"]
    certain = ["confirmed", "likely", "unresolved", "suspected", "observed"]
    rows = pq.read_table(out / "flags.parquet").to_pylist()
    places = [(pressing.index(row["urgency"]), certain.index(row["grade"])) for row in rows]
    assert len(set(places)) > 3
    assert places == sorted(places)
