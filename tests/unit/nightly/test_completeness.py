"""A part of an export that did not arrive closes no flag: each sign of it by name.

What a flag rests on is missing from the record in the same way when it was put right and when it
was lost on the way, so each test takes something away after a night on which all was there.
"""

import gzip
import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.unit.command import crossgrain
from tests.unit.nightly.exports import found, lines, make, run, truth

from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.nightly import local
from crossgrain.nightly.completeness import (
    FileRead,
    NightsCompared,
    Totals,
    measure_of,
    to_compare_with,
)
from crossgrain.nightly.judging import Judge, JudgedPatient
from crossgrain.nightly.plan import SourceFile
from crossgrain.screening.course import Screened, ScreeningOutcome

SECOND, THIRD = date(2025, 3, 4), date(2025, 3, 5)
CATALOGUE = load_catalogue()
LIMITS = CATALOGUE.limits
Damage = Callable[[Path], None]


@pytest.fixture
def out(screened: Path, tmp_path: Path) -> Path:
    """Where a first night, on which all was there, has written."""
    return shutil.copytree(screened, tmp_path / "out")


@pytest.fixture
def copy(export: Path, tmp_path: Path) -> Path:
    """A copy of the export that a test may damage."""
    return shutil.copytree(export, tmp_path / "copy")


def closed_on(report: dict[str, Any]) -> int:
    return report["issues"].get("closed", 0)


def named(folder: Path, **more: Any) -> Path:
    """A manifest of all that lies in a folder, with how many lines each file has."""
    output = [
        {
            "type": path.name.partition(".")[0],
            "url": f"https://ehr.example/f/{path.name}",
            "count": path.read_bytes().count(b"\n"),
        }
        for path in sorted(folder.glob("*.ndjson"))
    ]
    body = {"transactionTime": "2025-03-04T02:00:00Z", "output": output, "error": [], **more}
    (folder / "manifest.json").write_text(json.dumps(body))
    return folder


def halved(path: Path) -> None:
    every = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(every[: len(every) // 2]))


def of_type(folder: Path, kind: str) -> list[Path]:
    return sorted(folder.glob(f"{kind}.*"))


def no_requests(folder: Path) -> None:
    for path in of_type(folder, "MedicationRequest"):
        path.unlink()


def one_part_of_requests_missing(folder: Path) -> None:
    of_type(folder, "MedicationRequest")[0].unlink()


def empty_requests(folder: Path) -> None:
    for path in of_type(folder, "MedicationRequest"):
        path.write_bytes(b"")


def one_empty_part_of_results(folder: Path) -> None:
    of_type(folder, "Observation")[0].write_bytes(b"")


def no_conditions(folder: Path) -> None:
    for path in of_type(folder, "Condition"):
        path.unlink()


def empty_gzip(folder: Path) -> None:
    path = of_type(folder, "MedicationRequest")[0]
    path.unlink()
    path.with_name(f"{path.name}.gz").write_bytes(b"")


def gzip_cut_short(folder: Path) -> None:
    path = of_type(folder, "MedicationRequest")[0]
    packed = gzip.compress(path.read_bytes())
    path.unlink()
    path.with_name(f"{path.name}.gz").write_bytes(packed[: len(packed) // 2])


def half_of_the_requests(folder: Path) -> None:
    for path in of_type(folder, "MedicationRequest"):
        halved(path)


def count_not_met(folder: Path) -> None:
    named(folder)
    for path in of_type(folder, "Observation"):
        path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))


def named_and_not_there(folder: Path) -> None:
    named(folder)
    of_type(folder, "Condition")[0].unlink()


def there_and_not_named(folder: Path) -> None:
    part = of_type(folder, "MedicationRequest")[0]
    shutil.move(part, folder / "aside")
    named(folder)
    shutil.move(folder / "aside", part)


def a_manifest_in_parts(folder: Path) -> None:
    named(folder, link=[{"relation": "next", "url": "https://ehr.example/m/2"}])


def the_server_reports_errors(folder: Path) -> None:
    named(folder, error=[{"type": "OperationOutcome", "url": "https://ehr.example/f/e.ndjson"}])


def an_error_page_for_a_file(folder: Path) -> None:
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "fatal"}]}
    of_type(folder, "Condition")[0].write_text(json.dumps(outcome) + "\n")


def a_file_of_another_type(folder: Path) -> None:
    conditions, goals = of_type(folder, "Condition")[0], of_type(folder, "Goal")[0]
    conditions.write_bytes(goals.read_bytes())


def a_download_under_way(folder: Path) -> None:
    path = of_type(folder, "Condition")[0]
    path.rename(path.with_name(f"{path.name}.part"))


def a_file_with_another_ending(folder: Path) -> None:
    path = of_type(folder, "Condition")[0]
    path.rename(path.with_suffix(".jsonl"))


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (no_requests, "MedicationRequest: 0 tonight"),
        (one_part_of_requests_missing, "MedicationRequest: "),
        (empty_requests, "it is empty"),
        (one_empty_part_of_results, "it is empty"),
        (no_conditions, "Condition: 0 tonight"),
        (empty_gzip, "the compressed file is empty"),
        (gzip_cut_short, "cut short"),
        (half_of_the_requests, "MedicationRequest: "),
        (count_not_met, "and the manifest says"),
        (named_and_not_there, "its file is not beside it"),
        (there_and_not_named, "which does not name it"),
        (a_manifest_in_parts, "the rest is in another"),
        (the_server_reports_errors, "the server reports errors"),
        (an_error_page_for_a_file, "a server's error"),
        (a_file_of_another_type, "that are no Condition"),
        (a_download_under_way, "it is not read"),
        (a_file_with_another_ending, "it is not read"),
    ],
)
def test_what_did_not_arrive_closes_nothing_and_is_said(copy, out, damage: Damage, says):
    before = found(out)
    damage(copy)
    report = run(copy, out, as_of=SECOND)
    told = [*report["doubts"], *(fault["why"] for fault in report["faults"])]
    assert any(says in sentence for sentence in told)
    assert not report["whole"]
    assert closed_on(report) == 0
    assert found(out).keys() >= before.keys()


def test_the_whole_export_again_is_in_no_doubt(copy, out):
    report = run(named(copy), out, as_of=SECOND)
    assert report["whole"]
    assert report["doubts"] == []


def test_in_doubt_the_run_ends_with_four_and_says_so_where_it_is_read(copy, out):
    no_requests(copy)
    call = ("screen", copy, "--out", out, "--as-of", SECOND.isoformat(), "--jobs", "1")
    ran = crossgrain(*call, columns=200)
    assert ran.returncode == 4
    assert "in doubt: MedicationRequest: 0 tonight" in ran.told_beside
    assert "--accept-less" in ran.told_beside
    page = (out / "summary.html").read_text()
    assert "MedicationRequest: 0 tonight" in page
    assert "No earlier flag was closed." in page
    assert crossgrain(*call, "--accept-less", columns=200).returncode == 0
    report = json.loads((out / "report.json").read_text())
    assert report["accepted"]
    assert closed_on(report) > 0


def test_what_contradicts_itself_is_not_made_whole_by_accepting_less(copy, out):
    count_not_met(copy)
    report = run(copy, out, as_of=SECOND, accept_less=True)
    assert not report["whole"]
    assert closed_on(report) == 0


def test_an_export_in_doubt_is_no_measure_for_the_next_night(copy, export, out, tmp_path):
    """Else a file that stays away would be missed for one night and then be taken for gone."""
    no_requests(copy)
    run(copy, out, as_of=SECOND)
    report = run(copy, out, as_of=THIRD)
    assert any(doubt.startswith("MedicationRequest: 0") for doubt in report["doubts"])
    assert closed_on(report) == 0
    assert run(export, out, as_of=THIRD)["whole"]


def test_after_a_first_night_that_was_not_whole_the_next_is_held_against_what_there_was(
    copy, tmp_path
):
    out = tmp_path / "new"
    with (copy / "Goal.000.ndjson").open("a") as file:
        file.write("{\n")
    assert not run(copy, out)["whole"]
    no_requests(copy)
    assert any("MedicationRequest: 0" in d for d in run(copy, out, as_of=SECOND)["doubts"])


def test_without_the_report_of_the_last_night_nothing_is_closed(copy, out):
    (out / "report.json").unlink()
    no_requests(copy)
    report = run(copy, out, as_of=SECOND)
    assert "no report of an earlier night" in report["doubts"][0]
    assert closed_on(report) == 0


def test_a_report_of_the_version_before_is_compared_with(copy, out):
    path = out / "report.json"
    told = json.loads(path.read_text())
    del told["measure"]
    path.write_text(json.dumps(told))
    no_requests(copy)
    assert any("MedicationRequest: 0" in d for d in run(copy, out, as_of=SECOND)["doubts"])


def test_a_file_that_is_still_being_written_is_noticed(copy, out, monkeypatch):
    scan = local.scan_chunk

    def scanned(chunk, *more):
        if chunk.file.name == "Goal.000.ndjson":
            with chunk.file.path.open("a") as file:
                file.write("\n")
        return scan(chunk, *more)

    monkeypatch.setattr(local, "scan_chunk", scanned)
    report = run(copy, out, as_of=SECOND)
    assert [(f["file"], f["why"]) for f in report["faults"]] == [
        ("Goal.000.ndjson", "it changed while it was read")
    ]


class TestOnePatient:
    """A few who lack something make no night doubtful; their own flags stay open."""

    @pytest.fixture
    def one(self, export: Path) -> str:
        return min(p for p, said in truth(export).items() if said["story"] == "confirmed_under")

    def lacking(self, export: Path, folder: Path, kinds: tuple[str, ...], patient: str) -> Path:
        shutil.copytree(export, folder)
        for kind in kinds:
            for path in of_type(folder, kind):
                kept = [r for r in lines(path) if r["subject"]["reference"] != patient]
                path.write_text("".join(json.dumps(r) + "\n" for r in kept))
        return folder

    def status_of(self, out: Path, patient: str) -> str:
        (issue,) = [
            i for i in lines(out / "DetectedIssue.ndjson") if i["patient"]["reference"] == patient
        ]
        return issue["status"]

    def test_whose_medicines_vanished_keeps_the_flag_and_is_to_be_reviewed(
        self, export, one, out, tmp_path
    ):
        medicines = ("MedicationRequest", "MedicationStatement")
        report = run(self.lacking(export, tmp_path / "less", medicines, one), out, as_of=SECOND)
        assert report["whole"]
        assert report["doubts"][0].startswith("patients whose open flag rests on resources")
        assert one not in json.dumps(report["doubts"])
        assert report["issues"]["carried in doubt"] == 1
        assert self.status_of(out, one) == "preliminary"
        (review,) = [r for r in lines(out / "needs-review.ndjson") if r["patient"] == one]
        assert "no longer in the record" in review["why"]
        assert all(name.startswith(("Medication", "Observation")) for name in review["references"])

    def test_whose_results_vanished_keeps_the_flag_that_they_raised(
        self, export, one, out, tmp_path
    ):
        report = run(self.lacking(export, tmp_path / "less", ("Observation",), one), out)
        assert closed_on(report) == 0
        assert report["doubts"][0].startswith("patients whose open flag rests on resources")

    def test_others_are_closed_all_the_same(self, export, one, out, tmp_path):
        other = max(p for p, said in truth(export).items() if said["story"] == "confirmed_under")
        medicines = ("MedicationRequest", "MedicationStatement")
        less = self.lacking(export, tmp_path / "less", medicines, one)
        for path in of_type(less, "Observation"):
            results = lines(path)
            for result in results:
                quantity = result["valueQuantity"]
                if result["subject"]["reference"] == other and quantity["value"] == 9.4:
                    quantity["value"] = 2.4
            path.write_text("".join(json.dumps(r) + "\n" for r in results))
        report = run(less, out, as_of=SECOND)
        assert closed_on(report) == 1
        assert self.status_of(out, other) == "final"
        assert self.status_of(out, one) == "preliminary"

    def test_of_whom_nothing_came_is_carried_without_doubt(self, export, one, out, tmp_path):
        """Patients move away: one is no sign of a missing file."""
        everything = (
            "MedicationRequest",
            "MedicationStatement",
            "Observation",
            "Condition",
            "Goal",
        )
        less = self.lacking(export, tmp_path / "less", everything, one)
        for path in of_type(less, "Patient"):
            kept = [r for r in lines(path) if f"Patient/{r['id']}" != one]
            path.write_text("".join(json.dumps(r) + "\n" for r in kept))
        report = run(less, out, as_of=SECOND)
        assert report["doubts"] == []
        assert report["issues"]["carried"] == 1

    def test_who_died_needs_no_other_evidence(self, export, one, out, tmp_path):
        medicines = ("MedicationRequest", "MedicationStatement")
        less = self.lacking(export, tmp_path / "less", medicines, one)
        for path in of_type(less, "Patient"):
            people = lines(path)
            for person in people:
                if f"Patient/{person['id']}" == one:
                    person["deceasedBoolean"] = True
            path.write_text("".join(json.dumps(r) + "\n" for r in people))
        run(less, out, as_of=SECOND)
        assert self.status_of(out, one) == "final"

    def test_what_is_said_to_be_deleted_is_not_lost(self, export, one, out, tmp_path):
        medicines = ("MedicationRequest", "MedicationStatement")
        less = self.lacking(export, tmp_path / "less", medicines, one)
        (issue,) = [
            i for i in lines(out / "DetectedIssue.ndjson") if i["patient"]["reference"] == one
        ]
        entries = [
            {"request": {"method": "DELETE", "url": implicated["reference"]}}
            for implicated in issue["implicated"]
        ]
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        named(less, deleted=[{"type": "Bundle", "url": "https://ehr.example/f/gone.json"}])
        (less / "gone.json").write_text(json.dumps(bundle) + "\n")
        report = run(less, out, as_of=SECOND)
        assert report["doubts"] == []
        assert self.status_of(out, one) == "final"


def held(**types: int) -> dict[SourceFile, FileRead]:
    """What was read, a file of each type."""
    read = {}
    for kind, count in types.items():
        file = SourceFile(f"{kind}.ndjson.gz", Path(f"{kind}.ndjson.gz"), kind=kind)
        read[file] = FileRead(lines=count)
        read[file].types[kind] = count
    return read


NOBODY = Totals(0, 0, 0)


@pytest.mark.parametrize(
    ("before", "tonight", "in_doubt"),
    [
        # So many fewer, whatever share that is (our judgement: 5), unless all of 3 or more.
        (6, 1, False), (7, 1, True), (2, 0, False), (3, 0, True), (4, 0, True),
        # So great a share (our judgement: a twentieth), however many that is.
        (200, 190, False), (200, 189, True), (100, 96, False), (100, 94, True), (100, 101, False),
    ],
)  # fmt: skip
def test_a_little_less_is_a_change_and_much_less_a_missing_part(before, tonight, in_doubt):
    comparison = NightsCompared({"Condition": before}, 0, LIMITS)
    doubts = comparison.doubts(held(Condition=tonight, Patient=1), NOBODY)
    assert bool(doubts) is in_doubt


@pytest.mark.parametrize(
    ("absent", "lacking", "in_doubt"), [(5, 0, False), (3, 3, True), (0, 6, True), (0, 5, False)]
)
def test_many_patients_without_their_evidence_make_the_night_doubtful(absent, lacking, in_doubt):
    totals = Totals(100, 0, 100, absent=absent, with_lost_evidence=lacking)
    doubts = NightsCompared({}, 60, LIMITS).doubts(held(Patient=1), totals)
    assert bool(doubts) is in_doubt


def test_of_many_patients_a_twentieth_may_be_absent():
    for absent, in_doubt in ((50, False), (51, True)):
        totals = Totals(5000, 0, 5000, absent=absent)
        assert bool(NightsCompared({}, 1000, LIMITS).doubts(held(Patient=1), totals)) is in_doubt


def test_the_next_night_is_held_against_this_one_if_whole_and_else_against_the_most():
    before, tonight = {"Goal": 9, "Patient": 2}, {"Patient": 3}
    assert to_compare_with(before, tonight, whole=True) == {"Patient": 3}
    assert to_compare_with(before, tonight, whole=False) == {"Patient": 3, "Goal": 9}
    assert to_compare_with(None, tonight, whole=False) == tonight


@pytest.mark.parametrize(
    ("before", "count", "in_doubt"),
    [
        (None, None, True),  # nothing is known of earlier nights
        ({"Goal": 1}, None, True),
        ({}, None, False),  # there was none on an earlier night either
        ({"Goal": 1}, 0, False),  # the manifest says that it holds nothing
    ],
)
def test_an_empty_file_is_in_doubt_unless_something_says_that_it_is_right(before, count, in_doubt):
    file = SourceFile("Goal.ndjson", Path("Goal.ndjson"), kind="Goal", count=count)
    assert bool(NightsCompared(before, 0, LIMITS).doubts({file: FileRead()}, NOBODY)) is in_doubt


def test_a_change_set_is_not_measured_against_the_base(tmp_path):
    """It holds little by nature; its base must hold as much as the night before."""
    base = make(tmp_path / "base", patients=60)
    newer, out = tmp_path / "newer", tmp_path / "out"
    newer.mkdir()
    three = (base / "Patient.000.ndjson").read_bytes().splitlines(keepends=True)[:3]
    (newer / "Patient.ndjson").write_bytes(b"".join(three))
    run(base, out)
    assert run(newer, out, base=base, as_of=SECOND)["doubts"] == []
    no_requests(base)
    doubts = run(newer, out, base=base, as_of=THIRD)["doubts"]
    assert any(doubt.startswith("MedicationRequest: 0 ") for doubt in doubts)


def test_of_a_base_and_its_changes_the_base_is_the_measure():
    """Changes come and go; counted with them, a new base would look like a loss."""
    base, changes = (
        SourceFile(f"{layer}.ndjson", Path(f"{layer}.ndjson"), layer, kind="Goal")
        for layer in (0, 1)
    )
    read = {base: FileRead(lines=3), changes: FileRead(lines=4)}
    read[base].types["Goal"], read[changes].types["Goal"] = 3, 4
    assert measure_of(read) == {"Goal": 3}


@pytest.mark.parametrize(
    ("outcome", "lost", "ends"),
    [
        (ScreeningOutcome.CLEARED, "Observation/1", ScreeningOutcome.CLEARED),
        (ScreeningOutcome.CLEARED, "MedicationRequest/1", ScreeningOutcome.NEEDS_REVIEW),
        (ScreeningOutcome.SOUND, "Observation/1", ScreeningOutcome.NEEDS_REVIEW),
        (ScreeningOutcome.DECEASED, "MedicationRequest/1", ScreeningOutcome.DECEASED),
        (ScreeningOutcome.FLAGGED, "MedicationRequest/1", ScreeningOutcome.FLAGGED),
    ],
)
def test_a_newer_result_clears_without_the_older_and_a_death_without_anything(
    monkeypatch, outcome, lost, ends
):
    monkeypatch.setattr(Judge, "_screened", lambda *_: Screened(outcome))
    answer = Judge(CATALOGUE, None, FhirVersion.R4).answer("Patient/1", JudgedPatient([], (lost,)))
    assert answer.outcome is ends
    assert bool(answer.lost) is (
        ends is ScreeningOutcome.NEEDS_REVIEW or outcome is ScreeningOutcome.FLAGGED
    )


class TestFilesThatMayHoldErrors:
    """In a folder without a manifest, and where a manifest names them."""

    def outcome(self, severity: str) -> str:
        issue = {"severity": severity, "code": "informational"}
        return json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}) + "\n"

    @pytest.mark.parametrize(
        ("severity", "whole"),
        [("information", True), ("warning", False), ("error", False), ("fatal", False)],
    )
    def test_information_is_no_error(self, copy, tmp_path, severity, whole):
        (copy / "OperationOutcome.ndjson").write_text(self.outcome(severity))
        assert run(copy, tmp_path / "folder")["whole"] is whole
        entry = {"type": "OperationOutcome", "url": "https://e.example/OperationOutcome.ndjson"}
        named(copy, error=[entry])
        manifest = json.loads((copy / "manifest.json").read_text())
        manifest["output"] = [o for o in manifest["output"] if "Outcome" not in o["url"]]
        (copy / "manifest.json").write_text(json.dumps(manifest))
        assert run(copy, tmp_path / "manifest")["whole"] is whole

    @pytest.mark.parametrize("text", ["", "{", "[]\n", '{"issue": 1}\n'])
    def test_what_cannot_be_read_may_be_an_error(self, copy, out, text):
        (copy / "OperationOutcome.ndjson").write_text(text)
        assert not run(copy, out)["whole"]


def test_a_name_with_a_word_that_is_no_type_is_read(tmp_path, export):
    """A part of an export would else be passed over for its hospital's name."""
    for kind in ("Patient", "MedicationRequest", "MedicationStatement", "Observation"):
        for number, path in enumerate(of_type(export, kind)):
            name = f"Tarnrow.{number}.{kind.lower()}.ndjson"
            (tmp_path / "named").mkdir(exist_ok=True)
            shutil.copy(path, tmp_path / "named" / name)
    assert run(tmp_path / "named", tmp_path / "out")["patients"]["in"] == 300
