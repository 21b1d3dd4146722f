"""``crossgrain screen`` and ``crossgrain send`` as cron calls them: exit codes, words, files."""

import json
import re
import sys
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from tests.unit.command import Ran, crossgrain
from tests.unit.nightly.exports import AS_OF, found, lines, planted

from crossgrain.nightly.workdir import locked


def screen(export: Path, out: Path, *more: str) -> Ran:
    call = ("screen", export, "--out", out, "--as-of", AS_OF.isoformat(), "--jobs", "1", *more)
    return crossgrain(*call, columns=200)


@pytest.fixture(scope="module")
def finished(tmp_path_factory, export) -> Path:
    return tmp_path_factory.mktemp("finished") / "out"


@pytest.fixture(scope="module", autouse=True)
def ran(export, finished) -> Ran:
    """The run whose outputs stand in `finished`."""
    return screen(export, finished)


def test_a_run_tells_what_it_found_and_how_fast(ran):
    assert ran.returncode == 0
    assert "300 patients in" in ran.told
    assert re.search(r"judging: \d+ patients in [\d.]+ s", ran.told_beside)


@pytest.mark.parametrize("missing", ["duckdb", "pyarrow"])
def test_without_its_extra_it_ends_with_one_and_names_it(monkeypatch, export, tmp_path, missing):
    for module in [name for name in sys.modules if name.startswith("crossgrain.nightly")]:
        if module.rpartition(".")[2] in {"run", "tables", "outputs", "local"}:
            monkeypatch.delitem(sys.modules, module)
    monkeypatch.setitem(sys.modules, missing, None)  # as Python says that there is none
    ran = screen(export, tmp_path / "out")
    assert ran.returncode == 1
    assert "pip install 'crossgrain[night]'" in ran.told_beside
    assert not (tmp_path / "out").exists()


def test_nothing_that_names_a_patient_is_printed(ran):
    assert "Patient/" not in ran.told + ran.told_beside
    assert "Invented" not in ran.told + ran.told_beside


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--basis", "nobody"], "no such basis"),
        (["--since", "yesterday"], "--since"),
        (["--engine", "abacus"], "--engine"),
        (["--worklist", "pigeon"], "--worklist"),
        (["--worklist", "tasks"], "did you mean task?"),
        (["--show", "names"], "did you mean name?"),
        (["--record-system", "urn:x"], "--show record-number"),
        (["--link", "javascript:alert({id})"], "--link: give an http or https address"),
        (["--base", "/nowhere"], "no such folder"),
    ],
)
def test_a_wrong_call_ends_with_one(export, tmp_path, more, says):
    ran = screen(export, tmp_path / "out", *more)
    assert ran.returncode == 1
    assert says in ran.told_beside
    assert not (tmp_path / "out" / "report.json").exists()


def test_an_input_at_fault_ends_with_four_and_names_the_line(export, tmp_path):
    damaged = tmp_path / "damaged"
    damaged.mkdir()
    for path in export.iterdir():
        (damaged / path.name).write_bytes(path.read_bytes())
    with (damaged / "Goal.000.ndjson").open("a") as file:
        file.write("{\n")
    number = len((damaged / "Goal.000.ndjson").read_text().splitlines())
    ran = screen(damaged, tmp_path / "out")
    assert ran.returncode == 4
    assert f"Goal.000.ndjson, line {number}: " in ran.told_beside


def test_a_folder_in_use_ends_with_five(export, tmp_path):
    with locked(tmp_path / "out"):
        assert screen(export, tmp_path / "out").returncode == 5


def test_only_the_owner_may_read_what_names_patients(finished):
    for path in finished.iterdir():
        assert path.stat().st_mode & 0o077 == 0, path.name


def test_the_report_adds_up_and_names_the_digest_of_every_output(finished):
    report = json.loads((finished / "report.json").read_text())
    assert sum(report["patients"]["out"].values()) == report["patients"]["in"] == 300
    assert set(report["outputs"]) == {
        "DetectedIssue.ndjson", "needs-review.ndjson", "flags.parquet", "summary.html",
        "worklist.csv",
    }  # fmt: skip
    for name, said in report["outputs"].items():
        content = (finished / name).read_bytes()
        assert said == {"bytes": len(content), "sha256": sha256(content).hexdigest()}
    assert report["bases"] == ["practice", "label", "trial", "content"]
    assert report["run"]["seconds"] > 0


def test_the_table_holds_the_flags_in_the_order_of_the_worklist(finished):
    rows = pq.read_table(finished / "flags.parquet").to_pylist()
    issues = lines(finished / "DetectedIssue.ndjson")
    assert [(r["patient"], r["code"]) for r in rows] == [
        (i["patient"]["reference"], i["code"]["coding"][0]["code"]) for i in issues
    ]
    half = next(r for r in rows if r["code"] == "under-dosed-switch" and r["grade"] == "confirmed")
    assert 0 < half["ratio_practice"] < half["ratio_label"]


class Page(HTMLParser):
    """What a page loads, and what its rows are of."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.rows: list[dict[str, str | None]] = []
        self.policy = ""

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.loaded += [v for name, v in attrs if v and (name == "src" or tag == "link")]
        if given.get("http-equiv") == "Content-Security-Policy":
            self.policy = given["content"]
        if "data-place" in given:
            self.rows.append(given)


def test_the_summary_opens_offline_and_holds_the_worklist(finished, export):
    text = (finished / "summary.html").read_text()
    page = Page()
    page.feed(text)
    assert page.loaded == []
    assert page.policy.startswith("default-src 'none'; style-src 'sha256-")
    shown = {(r["data-patient"], r["data-reason"], r["data-grade"]) for r in page.rows}
    assert shown == {(p, code, g) for p, flags in planted(export).items() for code, g in flags}
    assert [r["data-place"] for r in page.rows] == [str(n + 1) for n in range(len(page.rows))]


def test_hostile_text_in_an_export_cannot_run_in_the_summary(tmp_path):
    hostile = "</script><script>alert(1)</script>"
    patient = {"resourceType": "Patient", "id": "1"}
    nameless = {
        "resourceType": "MedicationRequest", "id": "m", "status": "active", "intent": "order",
        "subject": {"reference": f"Patient/{hostile}"},
    }  # fmt: skip
    export = tmp_path / "export"
    export.mkdir()
    text = "".join(json.dumps(r) + "\n" for r in (patient, nameless))
    (export / f"x{'<b>'}.ndjson").write_text(text + "{\n")
    assert screen(export, tmp_path / "out").returncode == 4
    page = (tmp_path / "out" / "summary.html").read_text()
    assert hostile not in page
    assert "x&lt;b&gt;.ndjson" in page
    assert "x<b>" not in page
    assert page.count("<script") == 1


def test_a_dry_run_of_send_files_nothing(finished):
    ran = crossgrain("send", finished, "--to", "http://127.0.0.1:9", "--dry-run")
    assert ran.returncode == 0
    count = len(lines(finished / "DetectedIssue.ndjson"))
    assert f"{count} would be created" in ran.told


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--to", "ftp://x"], "http or https"),
        (["--to", "http://127.0.0.1:9", "--client-id", "me"], "go together"),
    ],
)
def test_send_refuses_what_it_cannot_use(finished, more, says):
    ran = crossgrain("send", finished, *more)
    assert ran.returncode == 1
    assert says in ran.told_beside


def test_the_runs_over_one_export_agree_with_what_was_planted(finished, export):
    assert found(finished) == planted(export)
