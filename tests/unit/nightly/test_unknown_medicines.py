"""At night too, what may be thyroid hormone is listed, and what is none costs nothing."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from tests.unit.nightly.exports import lines, run, write

from crossgrain.nightly.plan import Engine

Json = dict[str, Any]
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
LT4 = {"coding": [{"system": RXNORM, "code": "10582", "display": "levothyroxine"}]}
BRAND = {"text": "House Blue 100"}
STORIES: dict[str, tuple[bool, Json, list[Json]]] = {
    "coded-alone": (True, {"coding": [{"system": RXNORM, "code": "99999999"}]}, []),
    "looks-so": (True, {"text": "thyro-complex"}, []),
    "of-the-class": (
        True,
        {"coding": [{"system": "http://www.whocc.no/atc", "code": "H03AA04"}], "text": "Blue"},
        [],
    ),
    "behind-a-reference": (True, {"reference": "Medication/looks-so"}, []),
    "called-otherwise": (True, {"reference": "Medication/brand", "display": "L-Thyroxin 100"}, []),
    "reason-in-words": (True, BRAND, [{"text": "hypothyroidism"}]),
    "reason-by-reference": (True, BRAND, [{"reference": "Condition/low-thyroid"}]),
    "reason-of-a-medication": (
        True,
        {"reference": "Medication/brand"},
        [{"reference": "Condition/low-thyroid"}],
    ),
    "another-reason": (False, BRAND, [{"reference": "Condition/high-pressure"}]),
    "known-for-it": (False, {"text": "selenium"}, [{"reference": "Condition/low-thyroid"}]),
    "metformin": (False, {"text": "metformin"}, []),
    "another-by-reference": (False, {"reference": "Medication/brand"}, []),
}
CONDITIONS = {"low-thyroid": "hypothyroidism", "high-pressure": "hypertension"}


def order(patient: str, number: int, medicine: Json, reasons: list[Json], **more: str) -> Json:
    named = "medicationReference" if "reference" in medicine else "medicationCodeableConcept"
    given = {"reasonReference": [r for r in reasons if "reference" in r],
             "reasonCode": [r for r in reasons if "text" in r]}  # fmt: skip
    pointed = [{"reference": f"{r['reference']}-{patient}"} for r in given["reasonReference"]]
    return {
        "resourceType": "MedicationRequest",
        "id": f"{patient}-{number}",
        "status": "active",
        "intent": "order",
        "subject": {"reference": f"Patient/{patient}"},
        named: medicine,
        "authoredOn": "2024-11-01",
        **({"reasonReference": pointed} if pointed else {}),
        **({"reasonCode": given["reasonCode"]} if given["reasonCode"] else {}),
        **more,
    }


def export_of(folder: Path) -> Path:
    """Everybody takes levothyroxine and one other medicine."""
    resources: list[Json] = [
        {"resourceType": "Medication", "id": "brand", "code": BRAND},
        {"resourceType": "Medication", "id": "looks-so", "code": {"text": "thyro-complex"}},
    ]
    for patient, (_, medicine, reasons) in STORIES.items():
        status = "unknown" if patient == "metformin" else "active"
        resources += [
            {"resourceType": "Patient", "id": patient},
            order(patient, 1, LT4, []),
            order(patient, 2, medicine, reasons, status=status),
        ]
        resources += [
            {"resourceType": "Condition", "id": f"{own}-{patient}", "code": {"text": words},
             "subject": {"reference": f"Patient/{patient}"}}
            for own, words in CONDITIONS.items()
        ]  # fmt: skip
    folder.mkdir()
    for kind in {r["resourceType"] for r in resources}:
        of_kind = [json.dumps(r) for r in resources if r["resourceType"] == kind]
        (folder / f"{kind}.ndjson").write_text("\n".join(of_kind) + "\n")
    return folder


def listed(out: Path) -> set[str]:
    return {line["patient"].removeprefix("Patient/") for line in lines(out / "needs-review.ndjson")}


WANTED = {patient for patient, (review, _, _) in STORIES.items() if review}


def test_what_may_be_hormone_is_listed_and_nobody_else(tmp_path: Path) -> None:
    run(export_of(tmp_path / "export"), tmp_path / "out")
    assert listed(tmp_path / "out") == WANTED


def handed_out(patient: str, number: int, medicine: Json) -> Json:
    return {
        "resourceType": "MedicationDispense",
        "id": f"{patient}-{number}",
        "status": "completed",
        "subject": {"reference": f"Patient/{patient}"},
        "medicationCodeableConcept": medicine,
        "whenHandedOver": "2025-01-20",
    }


def test_what_pharmacies_alone_tell_is_hormone_and_a_second_preparation_a_doubt(
    tmp_path: Path,
) -> None:
    """One with nothing but a hand-over, one whose second medicine no order tells, one without."""
    grain = {"text": "thyroid 60 mg tablet"}
    everyone = [{"resourceType": "Patient", "id": p} for p in ("alone", "second", "both", "none")]
    export = write(
        tmp_path / "export",
        [
            *everyone,
            handed_out("alone", 1, LT4),
            order("second", 1, LT4, []),
            handed_out("second", 2, grain),
            handed_out("both", 1, LT4),
            handed_out("both", 2, grain),
            handed_out("none", 1, {"text": "metformin"}),
        ],
    )
    report = run(export, tmp_path / "out")
    out = {name: count for name, count in report["patients"]["out"].items() if count}
    assert out == {"needs-review": 2, "no-switch": 1, "no-thyroid-hormone": 1}
    assert listed(tmp_path / "out") == {"second", "both"}


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("java") is None, reason="Spark needs Java 17 or later")
def test_the_cluster_lists_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pyspark", reason="Spark is an extra")
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[3] / "service"))
    run(export_of(tmp_path / "export"), tmp_path / "out", engine=Engine.SPARK, jobs=2)
    assert listed(tmp_path / "out") == WANTED
