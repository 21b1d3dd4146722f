"""What was planted is found, and nothing else: precision and recall of one at every grade.

The truth is that of the stories in `fixtures/exports/scenarios.py`, where the ratio on each
chart is worked out by hand.
"""

import json
from collections import Counter
from pathlib import Path
from shutil import copytree

import pytest
from tests.unit.nightly.exports import bytes_of, found, lines, make, planted, run, truth

from crossgrain.names.identity import FhirVersion
from crossgrain.screening.course import FlagCode, FlagGrade


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two thousand patients, and the outputs of a run over them."""
    folder = tmp_path_factory.mktemp("large")
    export = make(folder, "--seed", "23", patients=2000)
    run(export, folder / "out", jobs=2)
    return export, folder / "out"


@pytest.mark.parametrize("grade", sorted(FlagGrade))
def test_precision_and_recall_are_one_at_every_grade(large, grade):
    wanted = {
        (p, code) for p, flags in planted(large[0]).items() for code, g in flags if g == grade
    }
    seen = {(p, code) for p, flags in found(large[1]).items() for code, g in flags if g == grade}
    assert len(wanted) > 20
    assert seen - wanted == set()
    assert wanted - seen == set()


def test_every_code_and_every_outcome_is_planted(large):
    codes = {code for flags in planted(large[0]).values() for code, _ in flags}
    assert codes == set(FlagCode)
    outcomes = {said["outcome"] for said in truth(large[0]).values()}
    assert outcomes == {
        "no-thyroid-hormone", "no-switch", "climbing", "cleared", "sound", "flagged",
        "needs-review",
    }  # fmt: skip


def test_every_patient_ends_where_the_story_says(large):
    report = lines_report(large[1])
    wanted = Counter(said["outcome"] for said in truth(large[0]).values())
    out = {outcome: count for outcome, count in report["patients"]["out"].items() if count}
    assert out == dict(wanted)
    assert report["patients"]["in"] == sum(wanted.values())


def test_needs_review_names_each_patient_and_a_reason(large):
    wanted = {p for p, said in truth(large[0]).items() if said["outcome"] == "needs-review"}
    reviews = lines(large[1] / "needs-review.ndjson")
    assert {review["patient"] for review in reviews} == wanted
    assert all(review["why"] for review in reviews)


def lines_report(out: Path):
    return json.loads((out / "report.json").read_text())


def test_a_run_over_r5_finds_the_same(tmp_path):
    export = make(tmp_path, "--version", "r5")
    report = run(export, tmp_path / "out")
    assert report["fhir"] == FhirVersion.R5.number
    assert found(tmp_path / "out") == planted(export)


def test_compressed_files_give_the_same_flags(export, screened, tmp_path):
    run(make(tmp_path, "--zipped"), tmp_path / "out")
    assert found(tmp_path / "out") == found(screened) == planted(export)


def test_the_order_of_lines_and_files_changes_no_flag(export, screened, tmp_path):
    every = [line for path in export.iterdir() for line in path.read_text().splitlines()]
    mixed = tmp_path / "mixed"
    mixed.mkdir()
    for number in range(3):
        part = sorted(every[number::3], reverse=bool(number % 2))
        (mixed / f"part{number}.ndjson").write_text("\n".join(part) + "\n")
    run(mixed, tmp_path / "out")
    name = "DetectedIssue.ndjson"
    assert (tmp_path / "out" / name).read_bytes() == (screened / name).read_bytes()


def test_the_number_of_processes_changes_no_byte(export, screened, out):
    run(export, out, jobs=3, memory_mb=128)
    assert bytes_of(out) == bytes_of(screened)


def test_a_care_plan_that_says_otherwise_ends_the_exemption_of_its_orders(export, out):
    """The sieve keeps care plans of a series, whose description is text and no concept."""
    copy = out / "export"
    copytree(export, copy)
    (patient,) = [p for p, said in truth(export).items() if said["story"] == "planned"][:1]
    orders = [
        resource
        for path in export.glob("MedicationRequest.*")
        for resource in lines(path)
        if resource["subject"]["reference"] == patient and "extension" in resource
    ]
    (series,) = orders[0]["extension"]
    outcomes = []
    for pace in ("standard", "cautious"):
        parts = [
            part | {"valueCode": pace} if part["url"] == "pace" else part
            for part in series["extension"]
            if part["url"] not in {"step", "steps", "order"}
        ]
        plan = {
            "resourceType": "CarePlan",
            "id": "plan",
            "status": "active",
            "intent": "plan",
            "subject": {"reference": patient},
            "description": "A move to desiccated thyroid",
            "extension": [series | {"extension": parts}],
        }
        (copy / "CarePlan.000.ndjson").write_text(json.dumps(plan) + "\n")
        report = run(copy, out / pace)
        assert report["whole"]
        outcomes.append(patient in found(out / pace))
    assert outcomes == [False, True]
