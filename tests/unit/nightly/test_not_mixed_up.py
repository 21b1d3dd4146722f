"""At night too: what was not taken closes no flag, and nobody's rows are another's."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.unit.nightly.exports import found, lines, run, write

Json = dict[str, Any]
PARKED = Path(__file__).parents[3] / "fixtures" / "patients" / "15-switched-at-half-the-dose.json"
SECOND = date(2025, 3, 4)


def patient(own: str) -> list[Json]:
    """The resources of the invented patient who was parked at half the dose, under a name."""
    text = PARKED.read_text("utf-8").replace("p15", own)
    return [entry["resource"] for entry in json.loads(text)["entry"]]


def night(tmp_path: Path, number: int, resources: list[Json], **options: Any) -> Json:
    """One night over these resources, after those before."""
    export = write(tmp_path / f"export-{number}", resources)
    return run(export, tmp_path / "out", **options)


def of_now(resources: list[Json]) -> Json:
    """The statement of what is taken today."""
    return next(r for r in resources if r["resourceType"] == "MedicationStatement"
                and r["status"] == "active")  # fmt: skip


def ordered(statement: Json, **changed: Any) -> Json:
    """An order of the same medicine, which another says is not to be taken."""
    kept = {k: statement[k] for k in ("subject", "medicationCodeableConcept")}
    return {
        "resourceType": "MedicationRequest", "id": "beside", "status": "active",
        "intent": "order", "authoredOn": "2025-01-05", **kept,
        "dosageInstruction": statement["dosage"], **changed,
    }  # fmt: skip


def stated(statement: Json, **changed: Any) -> Json:
    """Another statement of it, of no days of its own."""
    rest = {k: v for k, v in statement.items() if k != "effectivePeriod"}
    return {**rest, "id": "beside", "dateAsserted": "2025-02-20", **changed}


AGAINST = {
    "not taken": lambda taken: [stated(taken, status="not-taken")],
    "stopped": lambda taken: [stated(taken, status="stopped")],
    "an order not to take it": lambda taken: [ordered(taken, doNotPerform=True)],
    "its order was stopped": lambda taken: [ordered(taken, status="stopped")],
}


@pytest.mark.parametrize("against", AGAINST.values(), ids=AGAINST.keys())
def test_a_flag_on_what_is_now_said_not_to_be_taken_is_carried(
    tmp_path: Path, against: Any
) -> None:
    resources = patient("a")
    night(tmp_path, 1, resources)
    flagged = found(tmp_path / "out")
    assert flagged == {"Patient/a": {("under-dosed-switch", "confirmed")}}
    more = against(of_now(resources))
    report = night(tmp_path, 2, [*resources, *more], as_of=SECOND)
    assert found(tmp_path / "out") == flagged
    assert report["issues"] == {"carried": 1}
    assert {k: n for k, n in report["patients"]["out"].items() if n} == {"needs-review": 1}
    (asked,) = lines(tmp_path / "out" / "needs-review.ndjson")
    assert f"{more[0]['resourceType']}/beside" in json.dumps(asked)


def test_a_flag_is_carried_where_the_same_statement_now_says_that_it_was_not_taken(
    tmp_path: Path,
) -> None:
    """The old medicine is over, and the new one never was: she is on neither."""
    resources = patient("a")
    night(tmp_path, 1, resources)
    of_now(resources)["status"] = "not-taken"
    report = night(tmp_path, 2, resources, as_of=SECOND)
    assert report["issues"] == {"carried": 1}
    assert {k: n for k, n in report["patients"]["out"].items() if n} == {"needs-review": 1}


def test_what_is_gone_from_one_patients_record_is_not_found_in_anothers(tmp_path: Path) -> None:
    """An id moved to another patient is not what the first one's flag rests on."""
    first, second = patient("a"), patient("b")
    night(tmp_path, 1, [*first, *second])
    both = found(tmp_path / "out")
    assert set(both) == {"Patient/a", "Patient/b"}
    moved = of_now(first)
    moved["subject"] = {"reference": "Patient/b"}
    moved["status"] = "entered-in-error"
    report = night(tmp_path, 2, [*first, *second], as_of=SECOND)
    assert found(tmp_path / "out") == both
    assert report["issues"] == {"carried in doubt": 1, "found again": 1}
