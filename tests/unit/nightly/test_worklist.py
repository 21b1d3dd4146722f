"""The rows that one works from in the morning."""

import csv
import re
import tracemalloc
from datetime import date, timedelta
from pathlib import Path

import pytest
from fixtures.visits.chart import DAY_ONE, begun
from tests.unit.nightly.exports import AS_OF, lines, make, patient_of, run, write
from tests.unit.nightly.test_not_mixed_up import patient
from tests.unit.nightly.test_plans import resources_of

from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly.issues import Earlier, Ledger, Night
from crossgrain.nightly.judging import ENCODE, Answer, FlagLine
from crossgrain.nightly.plan import Worklist
from crossgrain.nightly.summary import MOST_ROWS, write_summary
from crossgrain.nightly.worklist import NightDesk, harmless, write_csv
from crossgrain.screening.course import FlagCode, FlagGrade, FlagSummary, ScreeningOutcome
from crossgrain.screening.writing import GRADES, REASONS

Rows = list[dict[str, str]]


def rows_of(out: Path) -> Rows:
    with (out / "worklist.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    run(make(folder, patients=120), folder / "out")
    return folder / "out"


def test_every_code_and_grade_has_its_words() -> None:
    assert set(REASONS) == set(FlagCode)
    assert set(GRADES) == set(FlagGrade)


def test_the_spreadsheet_holds_every_open_flag_once_in_the_order_of_the_issues(
    night: Path,
) -> None:
    issues = lines(night / "DetectedIssue.ndjson")
    assert [(row["patient"], row["code"]) for row in rows_of(night)] == [
        (patient_of(issue), issue["code"]["coding"][0]["code"]) for issue in issues
    ]


def test_the_most_pressing_come_first_however_sure_they_are(night: Path) -> None:
    """A TSH of 60 that nobody acted on must not stand below every suspected dose."""
    found = [row["urgency"] for row in rows_of(night)]
    order = ["urgent", "soon", "routine"]
    assert found == sorted(found, key=order.index)
    assert len(set(found)) == 3


def test_a_row_says_the_doses_the_test_with_its_range_why_and_what_next(tmp_path: Path) -> None:
    """Planted: LT4 100 micrograms to 60 mg; the label calls that equal, practice half.

    The charts are those of `data/bases.toml`; the range is the laboratory's.
    """
    run(write(tmp_path / "export", patient("p1")), tmp_path / "out")
    row = next(r for r in rows_of(tmp_path / "out") if r["code"] == "under-dosed-switch")
    assert row["old dose"].startswith("levothyroxine ")
    assert row["new dose"].startswith("desiccated thyroid ")
    assert re.match(
        r"TSH [\d.]+ mIU/L on \d{4}-\d\d-\d\d, range [\d.]+ to [\d.]+", row["blood test"]
    )
    assert re.search(r"\d+ % to \d+ % of the old one", row["why"])
    assert row["what next"]
    assert row["reason"] == "Dose too low after a switch"


def test_where_the_laboratory_gives_no_range_the_usual_one_is_named_as_such(
    tmp_path: Path,
) -> None:
    resources = patient("p1")
    for one in resources:
        one.pop("referenceRange", None)
    run(write(tmp_path / "export", resources), tmp_path / "out")
    row = next(r for r in rows_of(tmp_path / "out") if r["code"] == "under-dosed-switch")
    assert row["blood test"].endswith(", usual range 0.4 to 4")


def test_a_plan_that_waits_stands_in_the_same_list(tmp_path: Path) -> None:
    chart = begun("01-levothyroxine-150.json", "desiccated-thyroid")
    export = write(tmp_path / "export", [*resources_of(chart), *patient("p1")])
    run(export, tmp_path / "out", as_of=DAY_ONE + timedelta(128))
    rows = rows_of(tmp_path / "out")
    assert {"plan-labs-overdue", "under-dosed-switch"} <= {row["code"] for row in rows}
    waiting = next(row for row in rows if row["code"] == "plan-labs-overdue")
    assert waiting["reason"] == "Plan: labs overdue"
    assert "labs were due on" in waiting["why"]
    assert waiting["old dose"] == "levothyroxine 150 micrograms a day"


def test_a_row_says_since_when_it_is_listed(tmp_path: Path) -> None:
    export, out = write(tmp_path / "export", patient("p1")), tmp_path / "out"
    run(export, out)
    assert "new tonight" in (out / "summary.html").read_text()
    run(export, out, as_of=date(2025, 3, 4))
    assert {row["listed since"] for row in rows_of(out)} == {AS_OF.isoformat()}
    page = (out / "summary.html").read_text()
    assert f"listed since <time>{AS_OF}</time>" in page
    assert 'data-new="yes"' not in page


def test_an_open_flag_that_could_not_be_looked_at_again_is_told_of(tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(write(tmp_path / "first", patient("p1")), out)
    run(write(tmp_path / "second", patient("p2")), out, as_of=date(2025, 3, 4))
    assert "open flags of earlier nights are not in this list" in (out / "summary.html").read_text()


def test_a_night_without_a_flag_says_so(tmp_path: Path) -> None:
    someone = {"resourceType": "Patient", "id": "p1"}
    run(write(tmp_path / "export", [someone]), tmp_path / "out")
    assert "Nothing to look at." in (tmp_path / "out" / "summary.html").read_text()
    assert rows_of(tmp_path / "out") == []


def test_no_code_stands_bare_on_the_page(night: Path) -> None:
    page = (night / "summary.html").read_text()
    spoken = re.sub(r"<script>.*?</script>|<style>.*?</style>|<[^>]+>", " ", page, flags=re.S)
    assert not [code for code in FlagCode if code in spoken or code.replace("-", " ") in spoken]


def test_a_page_of_a_hundred_thousand_flags_holds_its_most_and_the_spreadsheet_all(
    tmp_path: Path,
) -> None:
    """Page and memory are bounded; the list is not."""
    report = run(
        write(tmp_path / "export", patient("p1")), tmp_path / "out", worklist=Worklist.TASK
    )
    many, judged = 100_000, tmp_path / "judged"
    judged.mkdir()
    (judged / "000000.ndjson").write_bytes(b"".join(map(answer, range(many))))
    catalogue = load_catalogue()
    ledger = Ledger(judged, since=None, watch=(), limits=catalogue.limits)
    night = Night("local", AS_OF, FhirVersion.R4, Worklist.NONE, True, Earlier(tmp_path / "none"))
    tracemalloc.start()
    write_csv(tmp_path, ledger, NightDesk(night))
    write_summary(tmp_path, report, ledger, NightDesk(night), catalogue.bases)
    held = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    page = (tmp_path / "summary.html").read_text()
    assert f"The first {MOST_ROWS:,} of 100,000 are shown</b>" in page
    assert page.count("data-place=") == MOST_ROWS
    assert len(page) < 8_000_000
    assert "Patient/7<" in page  # the one that is urgent
    assert len(rows_of(tmp_path)) == many
    assert held < 60_000_000


def answer(number: int) -> bytes:
    """One patient with one flag; the seventh is urgent and no more than observed."""
    pressing = number == 7
    flag = FlagLine(
        code="plan-labs-unanswered" if pressing else "under-dosed-switch",
        grade="observed" if pressing else "confirmed",
        urgency="urgent" if pressing else "soon",
        switch="s", switched_on=AS_OF, old_kinds=[], new_kinds=[], ratios={}, statement="said",
        arithmetic=["label: 1"] * 4, evidence=[], act="Draw TSH.", source="invented",
        rank=[0.0 if pressing else 1.0, 4.0 if pressing else 0.0, 0.0],
        summary=FlagSummary("levothyroxine 100 micrograms a day", "nothing", "TSH 60", "why"),
    )  # fmt: skip
    said = Answer(f"Patient/{number}", ScreeningOutcome.FLAGGED, flags=[flag])
    return ENCODE(said) + b"\n"


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@x", "\t=1", "\r=1", " =1"])
def test_no_cell_is_taken_for_a_formula(text: str) -> None:
    """OWASP, CSV injection: a leading apostrophe makes a cell text."""
    assert harmless(text).startswith("'")
