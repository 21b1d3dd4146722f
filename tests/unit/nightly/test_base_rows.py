"""The rows of a base are taken again only where everything agrees, and then change no byte."""

import gzip
import json
import os
import shutil
import stat
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import pytest
from tests.unit.nightly.exports import bytes_of, make, run

from crossgrain.nightly import base_rows, local, plan
from crossgrain.nightly.base_rows import Index, package_digest

SECOND = date(2025, 3, 4)
FILES = 15
"""Of the base."""
SCAN = local.scan_chunk
PIECE_BYTES = 20_000
"""So that a file has several, as a population's have."""


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A base, and beside it the changes to a third of it; both have a line at fault."""
    folder = tmp_path_factory.mktemp("given")
    base = make(folder / "base", patients=60)
    newer = make(folder / "newer", "--seed", "8", patients=20)
    for place in (base / "Observation.001.ndjson", newer / "Observation.000.ndjson"):
        every = place.read_bytes().splitlines(keepends=True)
        place.write_bytes(b"".join([*every[:70], b"{ not JSON\n", b"\n", *every[70:]]))
    return folder


@dataclass
class Nights:
    """Nights over one base in one folder; `scanned`: the files of the base, as they are scanned."""

    base: Path
    newer: Path
    out: Path
    scanned: list[str]

    @property
    def store(self) -> Path:
        return self.out / ".base"

    def pass_by(self, **options: Any) -> dict[str, Any]:
        """One night."""
        self.scanned.clear()
        return run(self.newer, self.out, base=self.base, **options)

    def reused(self, **options: Any) -> int:
        """How many files one night does not scan."""
        reused: int = self.pass_by(**options)["run"]["base_files_reused"]
        assert len(set(self.scanned)) == FILES - reused
        return reused

    def reused_beside_a_night_without_a_store(self, **options: Any) -> int:
        """The same, where the night must tell what one that scans everything tells."""
        alone = Nights(self.base, self.newer, self.out.with_name("alone"), [])
        shutil.copytree(self.out, alone.out, ignore=shutil.ignore_patterns(".base"))
        wanted = alone.pass_by(**options)
        assert wanted["run"]["base_files_reused"] == 0
        report = self.pass_by(**options)
        assert {**report, "run": None} == {**wanted, "run": None}
        assert bytes_of(self.out) == bytes_of(alone.out)
        reused: int = report["run"]["base_files_reused"]
        return reused


@pytest.fixture(scope="module")
def past(given: Path) -> Path:
    """The outputs of a first night."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(plan.chunks_of, "__defaults__", (PIECE_BYTES,))
        report = run(given / "newer" / "export", given / "out", base=given / "base" / "export")
    assert report["run"]["base_files_reused"] == 0
    return given / "out"


@pytest.fixture
def nights(given: Path, past: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Nights:
    """One night is past."""
    base = shutil.copytree(given / "base" / "export", tmp_path / "base")
    out = shutil.copytree(past, tmp_path / "out")
    nights = Nights(base, given / "newer" / "export", out, [])

    def noted(chunk: plan.Chunk, rows: Path, tally: Path) -> int:
        if chunk.file.layer == 0:
            nights.scanned.append(chunk.file.name)
        return SCAN(chunk, rows, tally)

    monkeypatch.setattr(plan.chunks_of, "__defaults__", (PIECE_BYTES,))
    monkeypatch.setattr(local, "scan_chunk", noted)
    assert len(list(base.iterdir())) == FILES
    assert len(index_of(nights).files) == FILES
    return nights


def index_of(nights: Nights) -> Index:
    return msgspec.json.decode((nights.store / "index.json").read_bytes(), type=Index)


def test_the_second_night_scans_nothing_of_its_base_and_ends_with_the_same_bytes(nights):
    assert nights.reused_beside_a_night_without_a_store(as_of=SECOND) == FILES
    assert nights.scanned == []


def test_with_several_processes_too(nights, monkeypatch):
    monkeypatch.setattr(local, "scan_chunk", SCAN)  # another cannot be sent to a process
    report = nights.pass_by(jobs=2)
    assert report["run"]["base_files_reused"] == FILES


def test_a_fault_of_a_line_is_named_by_file_and_line_though_the_base_is_not_scanned(nights):
    faults = nights.pass_by()["faults"]
    assert nights.scanned == []
    assert [(f["file"], f["line"]) for f in faults] == [
        ("Observation.000.ndjson", 71),
        ("Observation.001.ndjson", 71),
    ]


def test_a_base_that_is_unpacked_elsewhere_is_the_same(nights, tmp_path):
    nights.base = shutil.copytree(nights.base, tmp_path / "elsewhere")
    assert nights.reused() == FILES


def one_letter_more(base: Path) -> None:
    with (base / "Goal.001.ndjson").open("ab") as file:
        file.write(b"\n")


def one_letter_other(base: Path) -> None:
    """Of the same size and, by its date, not changed."""
    path = base / "Goal.001.ndjson"
    before = path.stat()
    path.write_bytes(path.read_bytes().replace(b'"active"', b'"ACTIVE"', 1))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert path.stat().st_size == before.st_size


def another_name(base: Path) -> None:
    (base / "Goal.001.ndjson").rename(base / "Goal.002.ndjson")


@pytest.mark.parametrize("change", [one_letter_more, one_letter_other, another_name])
def test_a_file_that_is_another_is_scanned_and_the_others_are_not(nights, change):
    change(nights.base)
    assert nights.reused_beside_a_night_without_a_store() == FILES - 1
    assert nights.reused() == FILES


def test_a_file_that_came_between_moves_the_places_of_those_after_it(nights):
    """The place of its file stands in each row, and rows are sorted by it."""
    (nights.base / "Medication.0005.ndjson").write_bytes(b"\n")
    report = nights.pass_by()
    before = [path for path in nights.base.iterdir() if path.name < "Medication.0005"]
    assert report["run"]["base_files_reused"] == len(before)


def test_a_packed_base_is_reused_as_well(nights):
    for path in sorted(nights.base.iterdir()):
        path.with_name(f"{path.name}.gz").write_bytes(gzip.compress(path.read_bytes()))
        path.unlink()
    assert nights.reused() == 0
    assert nights.reused() == FILES


def test_another_program_scans_the_base_anew(nights, monkeypatch):
    monkeypatch.setattr("crossgrain.nightly.run.package_digest", lambda chart: "another")
    assert nights.reused() == 0


def test_a_clinics_file_and_each_change_of_it_scans_the_base_anew(nights, tmp_path):
    chart = tmp_path / "clinic.toml"
    chart.write_text('[stock]\nlevothyroxine = ["25", "50"]\n')
    assert nights.reused(chart=chart) == 0
    assert nights.reused(chart=chart) == FILES
    chart.write_text('[stock]\nlevothyroxine = ["25", "75"]\n')
    assert nights.reused(chart=chart) == 0
    assert nights.reused() == 0


def test_another_number_of_buckets_scans_the_base_anew(nights, monkeypatch):
    monkeypatch.setattr("crossgrain.nightly.run._LEAST_BUCKETS", 32)
    assert nights.reused() == 0


def test_more_changes_alter_no_bucket_of_the_base(nights, monkeypatch):
    """Else each night that is a little larger would scan it anew."""
    monkeypatch.setattr("crossgrain.nightly.run._LEAST_BUCKETS", 1)
    monkeypatch.setattr("crossgrain.nightly.run._BUCKET_BYTES", 50_000)
    nights.pass_by()
    nights.newer = make(nights.out.with_name("more"), "--seed", "9", patients=40)
    assert nights.pass_by()["run"]["base_files_reused"] == FILES


def with_one_bit_other(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


@pytest.mark.parametrize("harm", [with_one_bit_other, cut_short, Path.unlink])
@pytest.mark.parametrize("kind", ["parquet", "json"])
def test_a_store_that_was_harmed_is_not_trusted(nights, harm, kind):
    before = bytes_of(nights.out)
    harm(nights.store / f"000003.{kind}")
    assert nights.reused() == FILES - 1
    assert bytes_of(nights.out) == before


@pytest.mark.parametrize("harm", [cut_short, Path.unlink, lambda p: p.write_bytes(b"\xff")])
def test_a_store_without_its_index_is_not_trusted(nights, harm):
    before = bytes_of(nights.out)
    harm(nights.store / "index.json")
    assert nights.reused() == 0
    assert bytes_of(nights.out) == before


def test_what_another_piece_holds_is_not_taken_for_this_one(nights):
    """Two stored pieces that changed places are whole, and each is the wrong one."""
    one, two = (nights.store / f"{number:06}.parquet" for number in (3, 4))
    aside = one.with_name("aside")
    one.rename(aside)
    two.rename(one)
    aside.rename(two)
    assert nights.reused() == FILES - 2


class PowerCut(Exception):
    """Stands for the end of the process."""


def test_a_night_that_ends_while_it_stores_leaves_nothing_that_is_trusted(nights, monkeypatch):
    one_letter_more(nights.base)
    link, made = base_rows._link, []

    def dying(path: Path, target: Path) -> None:
        if target.parent == nights.store:
            made.append(target)
            if len(made) == 5:
                raise PowerCut
        link(path, target)

    with monkeypatch.context() as patched:
        patched.setattr(base_rows, "_link", dying)
        with pytest.raises(PowerCut):
            nights.pass_by()
    assert not (nights.store / "index.json").exists()
    assert nights.pass_by()["run"]["base_files_reused"] == 0
    assert nights.reused() == FILES


def test_a_killed_night_goes_on_and_stores_what_was_scanned_before_and_after(nights, monkeypatch):
    one_letter_more(nights.base)
    shutil.rmtree(nights.store)
    done: list[object] = []

    def dying(*call: Any) -> int:
        done.append(call)
        if len(done) == 5:
            raise PowerCut
        return SCAN(*call)

    with monkeypatch.context() as patched:
        patched.setattr(local, "scan_chunk", dying)
        with pytest.raises(PowerCut):
            nights.pass_by()
    assert nights.pass_by()["run"]["resumed"]
    assert nights.reused() == FILES


def test_a_file_that_changes_while_it_is_scanned_is_not_stored(nights, monkeypatch):
    """Its rows would be of one content and stand under the digest of another."""
    shutil.rmtree(nights.store)
    changed: list[object] = []

    def changing(*call: Any) -> int:
        if not changed:
            changed.append(one_letter_other(nights.base))
        return SCAN(*call)

    with monkeypatch.context() as patched:
        patched.setattr(local, "scan_chunk", changing)
        nights.pass_by()
    assert "Goal.001.ndjson" not in [file.name for file in index_of(nights).files]
    assert nights.reused() == FILES - 1


def test_a_disk_without_links_holds_copies(nights, monkeypatch):
    shutil.rmtree(nights.store)

    def refused(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refused)
    assert nights.reused() == 0
    assert {path.stat().st_nlink for path in nights.store.iterdir()} == {1}
    assert nights.reused() == FILES


def test_nobody_but_the_owner_can_read_what_is_stored(nights):
    """It names patients, as the outputs do."""
    nights.pass_by()
    assert stat.S_IMODE(nights.store.stat().st_mode) == 0o700
    stored = list(nights.store.iterdir())
    assert len(stored) > 2 * FILES
    assert {stat.S_IMODE(path.stat().st_mode) for path in stored} == {0o600}


def test_a_night_without_a_base_leaves_none_of_it(nights):
    run(nights.base, nights.out)
    assert not nights.store.exists()
    assert nights.reused() == 0


def test_the_files_of_an_older_base_do_not_stay(nights):
    for path in nights.base.glob("Goal.*"):
        path.unlink()
    nights.pass_by()
    named = {piece.number for file in index_of(nights).files for piece in file.pieces}
    kept = {int(path.stem) for path in nights.store.glob("*.parquet")}
    assert kept == named


def test_a_medicine_of_the_base_that_a_change_replaces_is_replaced_from_the_store_too(nights):
    """The newer line would be passed over by itself; its name must still meet the stored row."""
    path = nights.base / "MedicationRequest.000.ndjson"
    order = json.loads(path.read_text().splitlines()[0])
    order["medicationCodeableConcept"] = {"text": "lisinopril 10 MG Oral Tablet"}
    nights.newer = nights.out.with_name("one")
    nights.newer.mkdir()
    (nights.newer / "MedicationRequest.ndjson").write_text(json.dumps(order) + "\n")
    assert nights.reused_beside_a_night_without_a_store() == FILES


def test_a_base_that_names_deletions_is_reused(nights):
    deletion = {"request": {"method": "DELETE", "url": "Patient/1"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [deletion]}
    (nights.base / "gone.ndjson").write_text(json.dumps(bundle) + "\n")
    output = [
        {"type": path.name.partition(".")[0], "url": f"https://ehr.example/{path.name}"}
        for path in sorted(nights.base.glob("[A-Z]*.ndjson"))
    ]
    gone = [{"type": "Bundle", "url": "https://ehr.example/gone.ndjson"}]
    manifest = {"transactionTime": "2025-03-03T00:00:00Z", "output": output, "deleted": gone}
    (nights.base / "manifest.json").write_text(json.dumps(manifest))
    assert nights.pass_by()["run"]["base_files_reused"] == FILES
    assert nights.pass_by()["run"]["base_files_reused"] == FILES + 1


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A package of two files, in the place of this one."""
    root = tmp_path / "package"
    (root / "data").mkdir(parents=True)
    (root / "__init__.py").write_text("")
    (root / "data" / "codes.toml").write_text("a = 1\n")
    monkeypatch.setattr(base_rows.crossgrain, "__file__", str(root / "__init__.py"))
    return root


def test_the_digest_of_the_package_tells_of_each_file_and_of_no_byte_code(package):
    before = package_digest(None)
    (package / "__pycache__").mkdir()
    (package / "__pycache__" / "sieve.cpython-311.pyc").write_bytes(b"x")
    assert package_digest(None) == before
    seen = {before}
    changes: list[Callable[[], object]] = [
        lambda: (package / "data" / "codes.toml").write_text("a = 2\n"),
        lambda: (package / "sieve.py").write_text(""),
        lambda: (package / "sieve.py").rename(package / "scan.py"),
    ]
    for change in changes:
        change()
        seen.add(package_digest(None))
    assert len(seen) == 4
    assert package_digest(package / "data" / "codes.toml") not in seen


def test_the_digest_of_the_package_tells_of_its_decoder(package, monkeypatch):
    before = package_digest(None)
    monkeypatch.setattr(msgspec, "__version__", "0.0")
    assert package_digest(None) != before


@pytest.mark.parametrize("key", ["product_file", "value_set"])
def test_a_change_in_a_file_that_the_clinics_file_names_is_another_program(
    tmp_path: Path, key: str
) -> None:
    """Else a night would take rows that were kept by the products of before."""
    (clinic := tmp_path / "clinic.toml").write_text(f'[[{key}]]\nfile = "own.toml"\n')
    (own := tmp_path / "own.toml").write_text("")
    before = package_digest(clinic)
    own.write_text("# changed")
    assert package_digest(clinic) != before
