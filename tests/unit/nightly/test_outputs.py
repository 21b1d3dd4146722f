"""Every output tells the same of a night, and tells it in full: people act on any one of them."""

import csv
import json
import re
import shutil
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from tests.unit.nightly.exports import AS_OF, lines, make, run, truth

from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly import outputs, summary, tables
from crossgrain.nightly.issues import Ledger
from crossgrain.nightly.judging import ENCODE, Answer
from crossgrain.nightly.naming import Naming, Shown
from crossgrain.nightly.plan import Worklist
from crossgrain.nightly.workdir import WorkDir
from crossgrain.screening.course import ScreeningOutcome


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of those who were switched, one has died since."""
    export = make(tmp_path_factory.mktemp("small"), patients=120)
    dead = max(p for p, said in truth(export).items() if said["story"] == "confirmed_under")
    for path in export.glob("Patient.*"):
        people = lines(path)
        for person in people:
            if f"Patient/{person['id']}" == dead:
                person["deceasedBoolean"] = True
        path.write_text("".join(json.dumps(person) + "\n" for person in people))
    return export


@pytest.fixture(scope="module")
def night(small: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("night") / "out"
    run(small, out, worklist=Worklist.TASK)
    return out


@pytest.fixture(scope="module")
def rows(night: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = pq.read_table(night / "flags.parquet").to_pylist()
    return found


def test_the_table_holds_what_was_planted_of_a_halved_dose(small, rows):
    """Analysts count by these columns; a TSH of the wrong side would turn each study round.

    Planted: LT4 100 µg to desiccated thyroid 60 mg, TSH 1.8 before and 9.4 after. Desiccated
    thyroid labels call one grain 100 µg of LT4, so the label's ratio is 1.
    """
    patients = {p for p, said in truth(small).items() if said["story"] == "confirmed_under"}
    found = [row for row in rows if row["patient"] in patients]
    assert found
    for row in found:
        assert (row["tsh_before"], row["tsh_after"]) == (Decimal("1.8"), Decimal("9.4"))
        assert (row["old"], row["new"]) == ("levothyroxine", "desiccated-thyroid")
        assert (row["code"], row["grade"]) == ("under-dosed-switch", "confirmed")
        assert row["ratio_label"] == 1
        assert f"since {row['switched_on'].isoformat()}" in row["statement"]


def test_table_issues_and_worklist_say_the_same_in_the_same_order(night, rows):
    issues, tasks = lines(night / "DetectedIssue.ndjson"), lines(night / "Task.ndjson")
    assert len(rows) == len(issues) == len(tasks) > 30
    for row, issue, task in zip(rows, issues, tasks, strict=True):
        assert row["patient"] == issue["patient"]["reference"] == task["for"]["reference"]
        assert row["grade"] == issue["evidence"][0]["code"][0]["coding"][0]["code"]
        assert issue["detail"] == f"{row['statement']} What to do: {row['act']}"
        assert row["act"] in task["description"]
        assert task["focus"]["reference"] == f"DetectedIssue/{issue['id']}"
        urgent = {"urgent": "urgent", "soon": "asap", "routine": "routine"}[row["urgency"]]
        assert task["priority"] == urgent


def test_the_funnel_says_what_the_report_counts(night):
    """On call one reads the page, not the JSON."""
    report = json.loads((night / "report.json").read_text())
    out = report["patients"]["out"]
    page = (night / "summary.html").read_text()
    table = page[page.index("Was everyone looked at?") : page.index("What was found</h2>")]
    counted = re.findall(r'<th scope="row">(.+?)</th><td class="number">([\d,]+)</td>', table)
    steps = {name: int(number.replace(",", "")) for name, number in counted}
    assert out["deceased"] == 1
    not_switched = ("no-thyroid-hormone", "no-switch", "needs-review", "deceased")
    assert steps == {
        "in the export": 120,
        "with thyroid hormone": 120 - out["no-thyroid-hormone"],
        "could not be judged": out["needs-review"],
        "switched, or in a plan that waits": 120 - sum(out[name] for name in not_switched),
        "dose still climbing": out["climbing"],
        "cleared by a blood test": out["cleared"],
        "nothing amiss": out["sound"],
        "listed": out["flagged"],
    }


def test_who_is_to_be_reviewed_is_listed_with_the_resources(night):
    reviews = lines(night / "needs-review.ndjson")
    out = json.loads((night / "report.json").read_text())["patients"]["out"]
    assert len(reviews) == out["needs-review"] > 0
    assert all(review["why"] for review in reviews)
    assert any(review["references"] for review in reviews)
    page = (night / "summary.html").read_text()
    assert all(f"<td>{review['patient']}" in page for review in reviews)


def test_the_worklist_comes_first_and_the_counts_after_it(night):
    page = (night / "summary.html").read_text()
    assert re.findall(r"<h2[^>]*>([^<]+)</h2>", page) == [
        "Worklist",
        "Could not be judged",
        "Was everyone looked at?",
        "What was found",
        "Which charts, and which switches?",
    ]
    heads = re.search(r'<table id="worklist".*?<thead.*?<tr role="row">(.*?)</tr>', page, re.S)[1]
    assert re.findall(r">([^<]+)</th>", heads) == [
        "Patient", "Finding", "Dose, old to new", "Last blood test", "Why", "What next",
    ]  # fmt: skip


def test_a_task_keeps_the_day_on_which_the_flag_was_first_found(small, night, tmp_path):
    """How long it has been waiting is told by that day."""
    out = shutil.copytree(night, tmp_path / "out")
    run(small, out, worklist=Worklist.TASK, as_of=date(2025, 3, 4))
    before = {task["id"] for task in lines(night / "Task.ndjson")}
    again = [task for task in lines(out / "Task.ndjson") if task["id"] in before]
    assert len(again) == len(before)
    assert {task["authoredOn"] for task in again} == {AS_OF.isoformat()}


def test_flags_are_written_in_portions_and_none_is_lost(small, night, tmp_path, monkeypatch):
    """A night of many thousands is never held in memory at once."""
    monkeypatch.setattr(outputs, "_ROWS_AT_ONCE", 7)
    monkeypatch.setattr(tables, "_ROWS_AT_ONCE", 11)
    out = tmp_path / "out"
    run(small, out, worklist=Worklist.TASK)
    assert pq.read_table(out / "flags.parquet").equals(pq.read_table(night / "flags.parquet"))
    assert (out / "DetectedIssue.ndjson").read_bytes() == (
        night / "DetectedIssue.ndjson"
    ).read_bytes()


def test_a_page_that_shows_a_part_says_of_how_many(small, tmp_path, monkeypatch):
    monkeypatch.setattr(summary, "MOST_ROWS", 5)
    monkeypatch.setattr(summary, "MOST_REVIEWS", 1)
    report = run(small, tmp_path / "out")
    page = (tmp_path / "out" / "summary.html").read_text()
    in_all = sum(sum(grades.values()) for grades in report["flags"].values())
    assert f"The first 5 of {in_all} are shown</b>" in page
    assert page.count("data-place=") == 5
    assert "the first 1 are shown" in page
    with (tmp_path / "out" / "worklist.csv").open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.DictReader(file))) == in_all


@pytest.fixture(scope="module")
def interrupted(small: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("interrupted") / "out"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(WorkDir, "publish", _stop)
        with pytest.raises(KeyboardInterrupt):
            run(small, out)
    return out


def _stop(_: WorkDir) -> None:
    raise KeyboardInterrupt


class TestWhatWasInterrupted:
    """It goes on only where nothing that decides the answers has changed."""

    def test_the_same_call_goes_on(self, small, interrupted, tmp_path):
        out = shutil.copytree(interrupted, tmp_path / "out")
        assert run(small, out)["run"]["resumed"]

    @pytest.mark.parametrize(
        "changed",
        [
            {"bases": ("label",)},
            {"since": date(2024, 1, 1)},
            {"version": FhirVersion.R4},
            {"deployment": "elsewhere"},
            {"worklist": Worklist.TASK},
            {"accept_less": True},
            {"naming": Naming(frozenset({Shown.NAME}))},
            {"link": "https://ehr.example/{id}"},
            {"as_of": date(2025, 3, 4)},
        ],
        ids=lambda changed: next(iter(changed)),
    )
    def test_another_call_begins_anew(self, small, interrupted, tmp_path, changed):
        out = shutil.copytree(interrupted, tmp_path / "out")
        assert not run(small, out, **changed)["run"]["resumed"]

    @pytest.mark.parametrize(
        "own", ['[numbers.ratio]\nunder = "0.9"\n', '[stock]\nlevothyroxine = ["25", "50"]\n']
    )
    def test_another_clinics_file_begins_anew(self, small, interrupted, tmp_path, own):
        chart = tmp_path / "clinic.toml"
        chart.write_text(own)
        out = shutil.copytree(interrupted, tmp_path / "out")
        assert not run(small, out, chart=chart)["run"]["resumed"]

    def test_another_export_begins_anew(self, small, interrupted, tmp_path):
        other = shutil.copytree(small, tmp_path / "other")
        with (other / "Goal.000.ndjson").open("a") as file:
            file.write("\n")
        out = shutil.copytree(interrupted, tmp_path / "out")
        assert not run(other, out)["run"]["resumed"]


@pytest.mark.parametrize(
    ("ratio", "place"), [("0.79", 0), ("0.8", 1), ("0.81", 1), ("1.25", 1), ("1.26", 2)]
)
def test_a_dose_at_a_limit_is_counted_as_within(tmp_path, ratio, place):
    """0.8 and 1.25 are the limits of the numbers; a switch is off beyond them."""
    counts = counted(tmp_path, ratios={"label": str(Fraction(ratio))}).counts
    assert [n for n, count in enumerate(counts.ratios["label"]) if count] == [place]
    assert len(counts.ratios["label"]) == 3


@pytest.mark.parametrize(
    ("tsh", "place"),
    [("0.09", 0), ("0.1", 1), ("0.39", 1), ("0.4", 2), ("4", 2), ("4.01", 3), ("9.9", 3),
     ("10", 4)],
)  # fmt: skip
def test_a_tsh_at_an_end_of_the_usual_range_is_counted_as_in_range(tmp_path, tsh, place):
    counts = counted(tmp_path, tsh_after=str(Fraction(tsh))).counts
    assert [n for n, count in enumerate(counts.tsh) if count] == [place]
    assert len(counts.tsh) == 5


def counted(folder: Path, **more: Any) -> Ledger:
    answer = Answer("Patient/1", ScreeningOutcome.SOUND, **more)
    (folder / "000000.ndjson").write_bytes(ENCODE(answer) + b"\n")
    return Ledger(folder, since=None, watch=(), limits=load_catalogue().limits)
