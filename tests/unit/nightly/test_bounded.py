"""However much of an export is at fault, a night costs what its bytes cost, and little memory."""

import time
from pathlib import Path

import msgspec
import pytest
from tests.unit.nightly.exports import lines, run, write

from crossgrain.catalogue import load_catalogue
from crossgrain.nightly import sieve
from crossgrain.nightly.completeness import FileRead, files_read
from crossgrain.nightly.plan import InputFile, SourceFile, chunks_of, processes_for
from crossgrain.nightly.scan import MOST_FAULTS, Scanner, Tally
from crossgrain.nightly.sieve import Sieve
from crossgrain.reading.medicines import product_of

CATALOGUE = load_catalogue()
BAD = b'{"resourceType": "Observation", "id": "x", "valueQuantity": {"value": 1}, "note": ['
GOOD = BAD + b"]}"


def scanned(path: Path, size: int) -> FileRead:
    """A file, read in pieces of that size."""
    scanner = Scanner(Sieve(CATALOGUE.codes, CATALOGUE.preparations), 16, names_too=False)
    chunks = chunks_of((SourceFile(path.name, path),), size)
    tallies = []
    for chunk in chunks:
        tally = Tally()
        for _ in scanner.scan(chunk, tally):
            pass
        tallies.append(tally)
    (held,) = files_read(chunks, tallies).values()
    return held


@pytest.mark.parametrize("size", [10, 64, 1000, 10**6])
def test_a_faulty_line_has_the_number_that_it_has_in_the_file(tmp_path, size):
    """However the file was cut, and whatever lines of nothing stand between."""
    path = tmp_path / "x.ndjson"
    path.write_bytes(b"\n".join([BAD, b"", GOOD, GOOD, BAD, b"  ", BAD, GOOD, BAD]))
    held = scanned(path, size)
    assert [fault.line for fault in held.faults] == [1, 5, 7, 9]
    assert (held.begun, held.lines, held.at_fault) == (9, 7, 4)


def _seconds(work, times: int = 3) -> float:
    """Processor time, the least of a few tries."""
    spent = []
    for _ in range(times):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return min(spent)


def test_forty_thousand_faulty_lines_cost_a_few_times_what_parsing_as_many_costs(tmp_path):
    """Finding the number of each by reading the file again cost thousands of times as much.

    Both are measured here, one after the other, so that it holds on any machine. The bound is
    our judgement: some ten times above what it is.
    """
    path = tmp_path / "x.ndjson"
    path.write_bytes(b"\n".join([BAD] * 40_000))
    every = [GOOD] * 40_000
    parsing = _seconds(lambda: [msgspec.json.decode(line) for line in every])
    reading = _seconds(lambda: scanned(path, 10**9))
    assert scanned(path, 10**9).at_fault == 40_000
    assert reading < 60 * parsing


def test_so_many_faults_are_named_and_all_are_counted(tmp_path, out):
    patients = [{"resourceType": "Patient", "id": "1"}]
    folder = write(tmp_path / "export", patients)
    with (folder / "all.ndjson").open("ab") as file:
        file.writelines([BAD + b"\n"] * (MOST_FAULTS + 1))
    report = run(folder, out)
    assert report["faults_in_all"] == report["lines"]["at_fault"] == MOST_FAULTS + 1
    assert [fault["line"] for fault in report["faults"]] == list(range(2, MOST_FAULTS + 2))
    assert lines(out / "DetectedIssue.ndjson") == []


def test_a_file_keeps_no_more_faults_than_are_named(tmp_path):
    path = tmp_path / "x.ndjson"
    path.write_bytes(b"\n".join([BAD] * (3 * MOST_FAULTS)))
    held = scanned(path, len(BAD) * MOST_FAULTS // 2)
    assert [fault.line for fault in held.faults] == list(range(1, MOST_FAULTS + 1))
    assert held.at_fault == 3 * MOST_FAULTS


def test_a_fault_of_a_whole_file_is_named_however_many_lines_are_at_fault(tmp_path, out):
    folder = write(tmp_path / "export", [{"resourceType": "Patient", "id": "1"}])
    with (folder / "all.ndjson").open("ab") as file:
        file.writelines([BAD + b"\n"] * MOST_FAULTS)
    (folder / "zipped.ndjson.gz").write_bytes(b"")
    first = run(folder, out)["faults"][0]
    assert (first["file"], first["line"]) == ("zipped.ndjson.gz", None)


def test_a_concept_that_stands_in_many_lines_is_judged_once(tmp_path, monkeypatch):
    judged: list[object] = []

    def counted(concept, *rest):
        judged.append(concept)
        return product_of(concept, *rest)

    monkeypatch.setattr(sieve, "product_of", counted)
    orders = [
        {
            "resourceType": "MedicationRequest",
            "id": f"{number}",
            "subject": {"reference": "Patient/1"},
            "medicationCodeableConcept": {"text": name},
        }
        for number, name in enumerate(["amlodipine 5 MG Oral Tablet", "levothyroxine 100 MCG"] * 50)
    ]
    held = scanned(write(tmp_path, orders) / "all.ndjson", 1000)
    assert (held.lines, held.kept) == (100, 50)
    assert len(judged) == 2


MIB = 1024 * 1024


@pytest.mark.parametrize(
    ("cores", "mebibytes", "processes"),
    [
        (8, [0], 1),
        (8, [256, 255], 1),
        (8, [256, 256], 2),
        (8, [1000, 1100], 8),
        (1, [1000], 1),
        (None, [1000], 1),
    ],
)
def test_a_night_has_a_process_for_each_256_mib_and_no_more_than_cores(
    monkeypatch, cores, mebibytes, processes
):
    monkeypatch.setattr("os.cpu_count", lambda: cores)
    inputs = [InputFile(f"{number}", 1, size * MIB, 0) for number, size in enumerate(mebibytes)]
    assert processes_for(inputs) == processes


def test_a_night_tells_how_many_processes_it_had(tmp_path, out):
    folder = write(tmp_path / "export", [{"resourceType": "Patient", "id": "1"}])
    assert run(folder, out)["run"]["jobs"] == 1
    assert run(folder, out, jobs=2)["run"]["jobs"] == 2
