"""Input that is not whole: what is wrong is named, the rest is screened, nothing is hidden."""

import gzip
import json
import shutil
from pathlib import Path

import pytest
from tests.unit.nightly.exports import (
    found,
    lines,
    make,
    planted,
    run,
)

from crossgrain.nightly import local
from crossgrain.nightly.plan import AlreadyRunning, RunRefused
from crossgrain.nightly.workdir import locked


@pytest.fixture
def copy(export, tmp_path) -> Path:
    """A copy of the planted export that a test may damage."""
    folder = tmp_path / "copy"
    folder.mkdir()
    for path in export.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    return folder


def damage(path: Path, number: int, line: bytes) -> None:
    """Put another line in the place of line `number`, counted from 1."""
    every = path.read_bytes().split(b"\n")
    every[number - 1] = line
    path.write_bytes(b"\n".join(every))


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b'{"resourceType": "Observation", "id": "x"', "not well-formed JSON"),
        (b'{"resourceType": "Observation", "id": "\xff"}\x00', "not well-formed JSON"),
        (b'{"id": "x"}', "not a FHIR resource"),
        (b"[1, 2]", "not a FHIR resource"),
        (b'{"resourceType": "Bundle", "type": "collection", "entry": []}', "this line is a Bundle"),
    ],
)
def test_a_corrupt_line_is_named_and_the_rest_is_screened(copy, export, out, line, why):
    name = "MedicationRequest.001.ndjson"
    lost = json.loads((copy / name).read_text().splitlines()[40])["subject"]["reference"]
    damage(copy / name, 41, line)
    report = run(copy, out)
    assert [(f["file"], f["line"]) for f in report["faults"]] == [(name, 41)]
    assert why in report["faults"][0]["why"]
    assert not report["whole"]
    wanted = {p: flags for p, flags in planted(export).items() if p != lost}
    assert {p: flags for p, flags in found(out).items() if p != lost} == wanted


def test_no_value_of_a_corrupt_line_reaches_the_report(copy, out):
    damage(copy / "Observation.000.ndjson", 3, b'{"resourceType": "Secretword", "value": ')
    run(copy, out)
    assert "Secretword" not in (out / "report.json").read_text()


def test_a_line_is_counted_once_as_kept_passed_over_or_at_fault(copy, out):
    damage(copy / "Observation.000.ndjson", 3, b"{")
    counted = run(copy, out)["lines"]
    in_all = sum(len(path.read_bytes().splitlines()) for path in copy.iterdir())
    assert counted["read"] == in_all
    assert counted["at_fault"] == 1
    assert counted["kept"] + counted["passed_over"] + counted["at_fault"] == in_all


def test_a_gzip_that_is_cut_short_is_named_and_what_came_before_is_screened(tmp_path, out):
    export = make(tmp_path, "--zipped")
    path = export / "Observation.001.ndjson.gz"
    path.write_bytes(path.read_bytes()[:-2000])
    report = run(export, out)
    assert [(f["file"], f["line"]) for f in report["faults"]] == [(path.name, None)]
    assert "cut short" in report["faults"][0]["why"]
    assert sum(report["patients"]["out"].values()) == report["patients"]["in"] == 300


def test_a_file_that_only_claims_to_be_compressed_is_named(copy, out):
    (copy / "Observation.001.ndjson").rename(copy / "Observation.001.ndjson.gz")
    report = run(copy, out)
    assert report["faults"][0]["file"] == "Observation.001.ndjson.gz"


def test_a_medicine_of_nobody_is_at_fault(copy, out):
    path = copy / "MedicationRequest.000.ndjson"
    thyroid = next(
        number
        for number, line in enumerate(path.read_text().splitlines(), start=1)
        if "levothyroxine" in line and "medicationCodeableConcept" in line
    )
    resource = json.loads(path.read_text().splitlines()[thyroid - 1])
    del resource["subject"]
    damage(path, thyroid, json.dumps(resource).encode())
    report = run(copy, out)
    assert [f["line"] for f in report["faults"]] == [thyroid]
    assert "whose it is" in report["faults"][0]["why"]


class TestManifest:
    def manifest(self, folder: Path, **more) -> Path:
        outputs = [
            {"type": path.name.partition(".")[0], "url": f"https://ehr.example/f/{path.name}"}
            for path in sorted(folder.glob("*.ndjson"))
        ]
        body = {
            "transactionTime": "2025-03-03T02:00:00Z",
            "request": "https://ehr.example/fhir/$export",
            "output": outputs,
            "error": [],
            **more,
        }
        path = folder / "manifest.json"
        path.write_text(json.dumps(body))
        return path

    def test_its_files_are_read(self, copy, export, out):
        report = run(self.manifest(copy), out)
        assert report["whole"]
        assert found(out) == planted(export)

    def test_an_error_in_it_is_reported(self, copy, out):
        errors = [{"type": "OperationOutcome", "url": "https://ehr.example/f/err.ndjson"}]
        report = run(self.manifest(copy, error=errors), out)
        assert not report["whole"]
        assert report["faults"][0]["file"] == "err.ndjson"
        assert "error[0]" in report["faults"][0]["why"]

    def test_a_file_that_is_missing_is_reported(self, copy, out):
        path = self.manifest(copy)
        (copy / "Goal.001.ndjson").unlink()
        report = run(path, out)
        assert "not beside it" in report["faults"][0]["why"]

    def test_what_it_deletes_is_gone(self, copy, export, out):
        patient = sorted(planted(export))[0]
        entry = {"request": {"method": "DELETE", "url": patient}}
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
        (copy / "gone.ndjson").write_text(json.dumps(bundle) + "\n")
        deleted = [{"type": "Bundle", "url": "https://ehr.example/f/gone.ndjson"}]
        path = self.manifest(copy, deleted=deleted)
        manifest = json.loads(path.read_text())
        manifest["output"] = [o for o in manifest["output"] if "gone" not in o["url"]]
        path.write_text(json.dumps(manifest))
        report = run(path, out)
        assert report["patients"]["in"] == 299
        wanted = planted(export)
        del wanted[patient]
        assert found(out) == wanted

    def test_an_incremental_export_without_its_base_is_refused(self, copy, out):
        asked = "https://ehr.example/fhir/$export?_since=2025-03-01T00:00:00Z"
        with pytest.raises(RunRefused, match="--base"):
            run(self.manifest(copy, request=asked), out)

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("", "it is empty"),
            ("{", "it is not well-formed JSON"),
            ("\ufeff{", "it is not well-formed JSON"),
            ("<html>", "it is not well-formed JSON"),
            ("[]", "it must be one JSON object"),
            ("{}", "output: this must be the list"),
            ('{"output": 1}', "output: this must be the list"),
            ('{"output": [], "output": []}', "output: this key stands twice"),
            ('{"output": [{"url": "a", "url": "b"}]}', "output[0].url: this key stands twice"),
            ('{"output": [], "a": ' + "[" * 65 + "]" * 65 + "}", "nested too deeply"),
            ('{"output": ' + "[" * 100_000, "nested too deeply"),
            ('{"output": [3]}', "output[0]: this must be an object"),
            ('{"output": [{}]}', "output[0].url: this must be the address"),
            ('{"output": [{"url": 3}]}', "output[0].url: this must be the address"),
            ('{"output": [{"url": "http://[x/y"}]}', "output[0].url: this is not a well-formed"),
            ('{"output": [{"url": "https://e.example/"}]}', "output[0].url: this address names no"),
            ('{"output": [{"url": "a/.."}]}', "output[0].url: this address names no"),
            ('{"output": [{"url": "a%00b"}]}', "output[0].url: this address names no"),
            ('{"output": [{"url": "a", "type": 3}]}', "output[0].type: this must be the name"),
            ('{"output": [{"url": "a", "count": "3"}]}', "output[0].count: this must be a whole"),
            ('{"output": [{"url": "a", "count": -1}]}', "output[0].count: this must be a whole"),
            ('{"output": [{"url": "a", "count": true}]}', "output[0].count: this must be a whole"),
            ('{"output": [], "deleted": {}}', "deleted: this must be a list"),
            ('{"output": [], "error": [{"url": "//["}]}', "error[0].url: this is not a well-"),
            ('{"output": [], "link": [0]}', "link[0]: this must be an object"),
            ('{"output": [], "request": "https://[?_since=2025"}', "request: this is not a well-"),
        ],
    )
    def test_what_is_no_manifest_is_refused_by_its_place(self, tmp_path, out, text, says):
        path = tmp_path / "manifest.json"
        path.write_text(text)
        with pytest.raises(RunRefused) as refused:
            run(path, out)
        assert str(path) in str(refused.value)
        assert says in str(refused.value)

    def test_an_entry_without_a_type_is_read(self, copy, export, out):
        path = self.manifest(copy)
        manifest = json.loads(path.read_text())
        for entry in manifest["output"]:
            del entry["type"]
        path.write_text(json.dumps(manifest))
        assert run(path, out)["whole"]
        assert found(out) == planted(export)

    def test_two_entries_of_one_name_are_reported_and_the_file_is_read_once(
        self, copy, export, out
    ):
        """Two folders of the server may hold files of one name, of which one lies here."""
        path = self.manifest(copy)
        manifest = json.loads(path.read_text())
        manifest["output"].append(
            dict(manifest["output"][0], url="https://b.example/g/Condition.000.ndjson")
        )
        path.write_text(json.dumps(manifest))
        report = run(path, out)
        assert not report["whole"]
        assert "of the same name" in report["faults"][0]["why"]
        assert found(out) == planted(export)

    def test_a_file_that_goes_on_in_one_that_is_not_named_is_reported(self, copy, out):
        path = self.manifest(copy)
        manifest = json.loads(path.read_text())
        for place, next_one in ((0, manifest["output"][1]["url"]), (1, "https://e.example/next")):
            manifest["output"][place]["continuesInFile"] = next_one
        path.write_text(json.dumps(manifest))
        (fault,) = run(path, out)["faults"]
        assert fault["why"] == "output[1]: the file in which it goes on is not named"

    def test_a_name_too_long_for_the_disk_is_no_traceback(self, copy, out):
        path = self.manifest(copy, deleted=[{"url": "https://e.example/" + "x" * 300}])
        with pytest.raises(RunRefused, match="File name too long"):
            run(path, out)


def test_an_incremental_export_replaces_and_deletes_what_its_base_held(copy, export, tmp_path, out):
    """The last result of a confirmed patient is corrected; a draft of another is deleted."""
    confirmed = sorted(
        p for p, flags in planted(export).items() if flags == {("under-dosed-switch", "confirmed")}
    )
    corrected, kept = confirmed[:2]
    results = [o for path in copy.glob("Observation*") for o in lines(path)]
    last = max(
        (o for o in results if o["subject"]["reference"] == corrected and _is_tsh(o)),
        key=lambda o: o["effectiveDateTime"],
    )
    last["valueQuantity"]["value"] = 2.0
    newer = tmp_path / "newer"
    newer.mkdir()
    (newer / "Observation.ndjson").write_text(json.dumps(last) + "\n")
    run(newer, out, base=copy)
    wanted = planted(export)
    del wanted[corrected]
    assert found(out) == wanted
    assert kept in found(out)


def test_a_medicine_that_is_no_longer_thyroid_hormone_takes_its_own_place(
    copy, export, tmp_path, out
):
    """The newer line would be passed over by itself; it must still take the older one's place."""
    request = next(
        r
        for path in sorted(copy.glob("MedicationRequest*"))
        for r in lines(path)
        if r["subject"]["reference"] in planted(export)
        and "thyroid (USP)" in json.dumps(r)
        and r["status"] == "active"
    )
    request["medicationCodeableConcept"] = {"text": "lisinopril 10 MG Oral Tablet"}
    newer = tmp_path / "newer"
    newer.mkdir()
    (newer / "MedicationRequest.ndjson").write_text(json.dumps(request) + "\n")
    run(newer, out, base=copy)
    assert (
        found(out).get(request["subject"]["reference"])
        != planted(export)[request["subject"]["reference"]]
    )


def _is_tsh(observation: dict) -> bool:
    return observation["code"]["coding"][0]["code"] == "3016-3"


def test_two_runs_in_one_folder_are_refused(export, out):
    with locked(out), pytest.raises(AlreadyRunning):
        run(export, out)


def test_an_unknown_basis_is_refused_with_the_ones_there_are(export, out):
    with pytest.raises(RunRefused, match="practice, label"):
        run(export, out, bases=("nobody",))


def test_a_folder_without_anything_to_read_is_refused(tmp_path, out):
    with pytest.raises(RunRefused, match="no NDJSON"):
        run(tmp_path, out)


def test_medicines_of_both_versions_are_refused_until_one_is_named(tmp_path, out):
    first, second = make(tmp_path / "a"), make(tmp_path / "b", "--version", "r5")
    for path in second.glob("MedicationRequest*"):
        (first / f"r5-{path.name}").write_bytes(path.read_bytes())
    with pytest.raises(RunRefused, match="--fhir"):
        run(first, out)


def test_a_gzip_of_nothing_holds_nothing(copy, export, out):
    (copy / "Condition.002.ndjson.gz").write_bytes(gzip.compress(b""))
    assert run(copy, out)["whole"]
    assert found(out) == planted(export)


MARK = b"\xef\xbb\xbf"


def test_a_byte_order_mark_is_no_part_of_the_first_line(copy, export, out, tmp_path):
    """Some programs write one at the head of a file; the first resource must not be lost."""
    for path in sorted(copy.iterdir()):
        content = MARK + path.read_bytes()
        if path.name.startswith("MedicationRequest"):
            path.unlink()
            path.with_name(f"{path.name}.gz").write_bytes(gzip.compress(content))
        else:
            path.write_bytes(content)
    output = [{"type": p.name.partition(".")[0], "url": p.name} for p in sorted(copy.iterdir())]
    (copy / "manifest.json").write_bytes(MARK + json.dumps({"output": output}).encode())
    report = run(copy, out)
    assert report["whole"]
    run(export, tmp_path / "plain")
    assert lines(out / "DetectedIssue.ndjson") == lines(tmp_path / "plain/DetectedIssue.ndjson")


class TestTheFolderOfTheOutputs:
    def test_a_file_in_its_place_is_refused(self, export, out):
        out.write_text("")
        with pytest.raises(RunRefused, match="--out must be a folder"):
            run(export, out)
        assert out.read_text() == ""

    def test_what_cannot_be_made_is_named(self, export, tmp_path):
        (tmp_path / "file").write_text("")
        with pytest.raises(RunRefused, match="file/out: Not a directory"):
            run(export, tmp_path / "file" / "out")

    def test_the_export_itself_is_refused(self, copy):
        """The next night would read its own outputs."""
        before = sorted(copy.iterdir())
        with pytest.raises(RunRefused, match="another folder"):
            run(copy, copy)
        assert sorted(copy.iterdir()) == before

    @pytest.mark.parametrize("line", [b"{", b"[]", b"{}", b"\xff"])
    def test_an_earlier_output_that_cannot_be_read_is_named_and_kept(
        self, export, screened, out, line
    ):
        """Else its flags would be raised anew, as if nobody had seen them."""
        shutil.copytree(screened, out)
        issues = out / "DetectedIssue.ndjson"
        whole = issues.read_bytes()
        damage(issues, 2, line)
        damaged = issues.read_bytes()
        with pytest.raises(RunRefused, match=r"DetectedIssue\.ndjson, line 2: "):
            run(export, out)
        assert issues.read_bytes() == damaged
        issues.write_bytes(whole)
        assert run(export, out)["issues"] == {"found again": len(lines(issues))}


def test_a_file_that_cannot_be_read_is_named(copy, out, monkeypatch):
    scan = local.scan_chunk

    def scanned(chunk, *more):
        chunk.file.path.unlink()
        return scan(chunk, *more)

    monkeypatch.setattr(local, "scan_chunk", scanned)
    with pytest.raises(RunRefused, match=r"/copy/CarePlan\.000\.ndjson: No such file"):
        run(copy, out)
    assert not (out / "report.json").exists()
