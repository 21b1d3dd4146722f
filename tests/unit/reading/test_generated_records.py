"""Records made by an independent generator of synthetic FHIR, clean and damaged.

The generator (carebundle) knows nothing of this project. A thyroid medicine is added to each of
its patients, and must be the only thing that decides the dose. A few of them take levothyroxine
already, by order without a dosage: there the reader must ask.
"""

import json
from datetime import date
from fractions import Fraction

import carebundle
import pytest
from tests.unit.reading.records import LT4_100, Json, dosage, doses, read_bundle, statement, ucum

from crossgrain.reading.elements import Unreadable
from crossgrain.safety.facts import Analyte

AS_OF = date(2026, 1, 1)
SEEDS = range(6)
VITALS = {"29463-7": Analyte.WEIGHT, "8867-4": Analyte.HEART_RATE}


def generated(profile: str, seed: int) -> Json:
    made = carebundle.generate_bundle(profile=profile, seed=seed, reference_date=AS_OF)
    content: Json = json.loads(carebundle.to_json(made))
    return content


def of_type(content: Json, kind: str) -> list[Json]:
    resources = [entry["resource"] for entry in content["entry"]]
    return [r for r in resources if r["resourceType"] == kind]


def with_hormone(content: Json) -> Json:
    patient = next(
        e["fullUrl"] for e in content["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    taken = statement(LT4_100, dosage(ucum(1, "{tbl}")), subject={"reference": patient})
    return {**content, "entry": [*content["entry"], {"resource": taken}]}


def without_dosage(content: Json) -> list[str]:
    return [
        f"Bundle.entry[{number}].resource"
        for number, entry in enumerate(content["entry"])
        if "levothyroxine" in json.dumps(entry["resource"].get("medicationCodeableConcept", ""))
        and "dosageInstruction" not in entry["resource"]
    ]


@pytest.mark.parametrize("profile", sorted(carebundle.PROFILES))
@pytest.mark.parametrize("seed", SEEDS)
def test_a_generated_record_is_read_with_its_vitals_and_asked_where_it_must_be(
    profile: str, seed: int
) -> None:
    content = with_hormone(generated(profile, seed))
    record = read_bundle(content, as_of=AS_OF)
    assert doses(record) == [("levothyroxine", ["100"])]
    assert {q.expression for q in record.questions[:1]} == set(without_dosage(content)[:1])
    born = date.fromisoformat(of_type(content, "Patient")[0]["birthDate"])
    birthday_to_come = (AS_OF.month, AS_OF.day) < (born.month, born.day)
    assert record.facts.age_years == AS_OF.year - born.year - birthday_to_come
    written = [
        (VITALS[code], Fraction(str(o["valueQuantity"]["value"])))
        for o in of_type(content, "Observation")
        if (code := o["code"]["coding"][0]["code"]) in VITALS
    ]
    assert record.facts.measurements is not None
    assert [(m.analyte, m.value) for m in record.facts.measurements] == written


@pytest.mark.parametrize("profile", ["type2_diabetes", "ckd_stage3"])
def test_every_generated_medicine_and_condition_is_known_or_said(profile: str) -> None:
    content = generated(profile, 1)
    record = read_bundle(content, as_of=AS_OF)
    facts = record.facts
    spoken_for = {u.expression for u in record.unread} | {
        k.origin for k in (*(facts.medicines or ()), *(facts.conditions or ()))
    }
    for number, entry in enumerate(content["entry"]):
        if entry["resource"]["resourceType"] in {"MedicationRequest", "Condition"}:
            assert f"Bundle.entry[{number}].resource" in spoken_for


DAMAGE = carebundle.Imperfection(
    missing_field=0.2,
    duplicate_entry=0.2,
    out_of_order_timestamp=0.2,
    unparseable_value=0.2,
    unknown_code_system=0.2,
)


@pytest.mark.parametrize("seed", range(20))
def test_a_damaged_record_never_changes_the_dose(seed: int) -> None:
    content, defects = carebundle.inject_defects(
        generated("type2_diabetes", seed), DAMAGE, seed=seed
    )
    assert defects
    try:
        record = read_bundle(with_hormone(content), as_of=AS_OF)
    except Unreadable as refusal:
        assert refusal.expression.startswith("Bundle.entry[")  # noqa: PT017 - one of two ends
    else:
        assert doses(record) == [("levothyroxine", ["100"])]
