"""Patients in are patients out, or nothing is published."""

import pytest
from tests.unit.nightly.exports import found, lines, planted, run, write

from crossgrain.nightly import judging
from crossgrain.nightly.completeness import Totals
from crossgrain.nightly.issues import Counts
from crossgrain.nightly.outputs import Mismatch, patients_of
from crossgrain.screening.course import ScreeningOutcome


def test_every_patient_is_counted_in_one_outcome():
    counts = Counts()
    counts.outcomes[ScreeningOutcome.FLAGGED] += 3
    counts.outcomes[ScreeningOutcome.NO_SWITCH] += 1
    found = patients_of(Totals(patients=100, of_one_kind=20, to_judge=4), counts)
    assert found["out"]["no-switch"] == 21
    assert found["out"]["no-thyroid-hormone"] == 76
    assert sum(found["out"].values()) == found["in"] == 100


@pytest.mark.parametrize("judged", [3, 5])
def test_a_patient_who_went_missing_or_was_counted_twice_stops_the_run(judged):
    counts = Counts()
    counts.outcomes[ScreeningOutcome.SOUND] += judged
    with pytest.raises(Mismatch):
        patients_of(Totals(patients=10, of_one_kind=2, to_judge=4), counts)


def test_a_record_on_which_the_service_fails_is_listed_and_the_rest_is_screened(
    export, out, monkeypatch
):
    read = judging.read_course
    failed = []

    def failing(bundle, **more):
        patients = (e["resource"] for e in bundle["entry"] if "birthDate" in e["resource"])
        own_id = next(patients)["id"]
        if own_id.endswith("7"):
            failed.append(f"Patient/{own_id}")
            raise ZeroDivisionError("with a value of the record")
        return read(bundle, **more)

    monkeypatch.setattr(judging, "read_course", failing)
    run(export, out)
    listed = {
        review["patient"]
        for review in lines(out / "needs-review.ndjson")
        if review["why"] == "the service itself failed on this record (ZeroDivisionError)"
    }
    assert listed == set(failed) != set()
    assert found(out) == {p: f for p, f in planted(export).items() if p not in listed}


def test_what_is_wrong_with_a_record_is_named_by_the_resource(tmp_path, out):
    """Not by its place in a bundle that nobody but the job has seen."""
    subject = {"subject": {"reference": "Patient/1"}}
    order = {"resourceType": "MedicationRequest", "status": "active", "intent": "order", **subject}
    names = [{"text": f"{name} 50 MCG Oral Tablet"} for name in ("levothyroxine", "liothyronine")]
    resources = [
        {"resourceType": "Patient", "id": "1"},
        {**order, "id": "a", "medicationCodeableConcept": names[0]},
        {**order, "id": "b", "medicationCodeableConcept": names[1], "status": "no-such"},
    ]
    run(write(tmp_path / "export", resources), out)
    (review,) = lines(out / "needs-review.ndjson")
    assert review["patient"] == "Patient/1"
    assert review["why"].startswith("liothyronine 50 MCG Oral Tablet (prescription")
    assert "MedicationRequest/b.status" in review["why"]
