"""Conditions, allergies, goals, reasons and other medicines, by our own keys."""

from datetime import date

import pytest
from tests.unit.reading.records import (
    ATC,
    LT4,
    ONE,
    PATIENT,
    RXNORM,
    SNOMED,
    SUBJECT,
    Json,
    asked,
    condition,
    dosage,
    read,
    request,
    statement,
    ucum,
)

from crossgrain.safety.facts import Known, Sex

FIBRILLATION = "49436004"


def coded(element: str, code: str) -> Json:
    return {element: {"coding": [{"code": code}]}}


def known(*resources: Json) -> list[tuple[str, int | None, bool]]:
    found = read(*resources).facts.conditions
    assert found is not None
    return [(k.key, k.day, k.active) for k in found]


def test_a_condition_is_known_by_its_code_and_the_day_it_began() -> None:
    assert known(condition(FIBRILLATION, onsetDateTime="2026-03-10")) == [
        ("atrial-fibrillation", -10, True)
    ]


def test_a_condition_is_known_by_its_words_where_it_has_no_code_we_know() -> None:
    resource = {**condition(), "code": {"text": "Paroxysmal atrial fibrillation"}}
    assert known(resource) == [("atrial-fibrillation", None, True)]


@pytest.mark.parametrize("status", ["inactive", "resolved", "remission"])
def test_a_past_condition_is_kept_as_not_active(status: str) -> None:
    assert known(condition(FIBRILLATION, **coded("clinicalStatus", status))) == [
        ("atrial-fibrillation", None, False)
    ]


@pytest.mark.parametrize("status", ["refuted", "entered-in-error"])
def test_a_refuted_condition_is_no_condition(status: str) -> None:
    assert known(condition(FIBRILLATION, **coded("verificationStatus", status))) == []


def test_a_condition_that_no_rule_knows_is_said() -> None:
    record = read(condition("386661006"))
    assert record.facts.conditions == ()
    assert [u.expression for u in record.unread] == [ONE]


def test_a_condition_with_an_unknown_modifier_is_not_read() -> None:
    record = read(condition(FIBRILLATION, modifierExtension=[{"url": "https://x.example"}]))
    assert record.facts.conditions == ()
    assert [u.expression for u in record.unread] == [ONE]


def test_nothing_carried_is_not_the_same_as_nothing_known() -> None:
    facts = read().facts
    assert (facts.conditions, facts.allergies, facts.medicines, facts.goals, facts.stopped) == (
        None,
        None,
        None,
        None,
        None,
    )
    assert facts.indications is None


def allergy(**more: object) -> Json:
    return {
        "resourceType": "AllergyIntolerance",
        "id": "a1",
        "patient": SUBJECT,
        "code": {"text": "pork"},
        **more,
    }


def test_an_allergy_is_known() -> None:
    assert read(allergy()).facts.allergies == (Known("pork", ONE, None, True),)


PORK = {"coding": [{"system": SNOMED, "code": "226934003", "display": "Pork"}]}


@pytest.mark.parametrize("code", [{"text": "Allergy to meat"}, {"text": "no pork allergy"}, None])
def test_the_substance_of_a_reaction_is_heard_beside_the_code(code: Json | None) -> None:
    reactions = [{"manifestation": [{"text": "hives"}]}, {"substance": PORK}]
    record = read(allergy(code=code, reaction=reactions))
    assert record.facts.allergies == (Known("pork", ONE, None, True),)
    assert ONE not in [u.expression for u in record.unread]


def test_what_is_named_twice_in_an_allergy_is_one() -> None:
    facts = read(allergy(reaction=[{"substance": PORK}])).facts
    assert facts.allergies == (Known("pork", ONE, None, True),)


def test_a_reaction_with_a_modifier_is_not_heard_and_is_said() -> None:
    modified = {"substance": PORK, "modifierExtension": [{"url": "x:y", "valueBoolean": True}]}
    (passed_over,) = read(allergy(code={"text": "meat"}, reaction=[modified])).unread
    assert "modifier" in passed_over.why
    beside = read(allergy(reaction=[modified])).facts
    assert [known.key for known in beside.allergies or ()] == ["pork"]


def test_an_allergy_that_no_rule_knows_is_said() -> None:
    record = read(allergy(code={"text": "latex"}))
    assert record.facts.allergies == ()
    assert [u.expression for u in record.unread] == [ONE]


def test_another_medicine_is_known_by_atc_and_by_generic_name() -> None:
    record = read(
        statement({"coding": [{"system": ATC, "code": "B01AA03"}]}, id="w"),
        request({"text": "Calcium carbonate 1250 mg"}, id="c"),
    )
    assert record.facts.medicines is not None
    assert [k.key for k in record.facts.medicines] == ["warfarin", "calcium"]
    assert record.questions == ()


def test_another_medicine_that_is_no_longer_taken_is_left_out() -> None:
    record = read(
        statement({"coding": [{"system": ATC, "code": "B01AA03"}]}, status="completed", id="w")
    )
    assert record.facts.medicines == ()


def test_a_medicine_that_no_rule_knows_is_said() -> None:
    record = read(request({"coding": [{"system": RXNORM, "code": "314076"}], "text": "lisinopril"}))
    assert record.facts.medicines == ()
    assert [u.expression for u in record.unread] == [ONE]


def test_a_medicine_without_a_name_is_asked_about_since_it_may_be_thyroid_hormone() -> None:
    assert asked(read(request({}))) == [f"{ONE}.medication"]


def test_the_reason_for_the_hormone_is_read_from_its_own_resource() -> None:
    record = read(
        statement(LT4, dosage(ucum(100, "ug")), reasonCode=[{"text": "Obesity"}]),
    )
    assert record.facts.indications is not None
    assert [k.key for k in record.facts.indications] == ["obesity"]


def test_a_reason_by_reference_is_followed_to_its_condition() -> None:
    record = read(
        condition("40930008"),
        statement(
            LT4,
            dosage(ucum(100, "ug")),
            reasonReference=[{"reference": "Condition/c-40930008"}],
        ),
    )
    assert record.facts.indications is not None
    assert [k.key for k in record.facts.indications] == ["hypothyroidism"]


def test_a_goal_is_read_while_it_is_pursued() -> None:
    goal = {
        "resourceType": "Goal",
        "id": "g1",
        "lifecycleStatus": "active",
        "description": {"text": "TSH suppression after thyroid cancer"},
        "subject": SUBJECT,
    }
    record = read(goal)
    assert record.facts.goals is not None
    assert [k.key for k in record.facts.goals] == ["tsh-suppression-goal", "thyroid-cancer"]
    for over in ("cancelled", "completed", "rejected", "entered-in-error"):
        assert read({**goal, "lifecycleStatus": over}).facts.goals == (), over


def test_the_onset_of_a_condition_is_the_start_of_its_period() -> None:
    """Three months after an infarction are counted from it, not from when it was written down."""
    record = read(
        condition(
            "22298006",
            onsetPeriod={"start": "2026-03-10", "end": "2026-03-12"},
            recordedDate="2020-01-01",
        )
    )
    assert record.facts.conditions is not None
    assert {known.day for known in record.facts.conditions} == {-10}


@pytest.mark.parametrize(
    ("birth_date", "as_of", "age", "said"),
    [
        ("1970-05-01", date(2026, 4, 30), 55, False),
        ("1970-05-01", date(2026, 5, 1), 56, False),
        ("1970-05", date(2026, 5, 15), 55, True),
        ("1970", date(2026, 5, 15), 55, True),
        ("2026", date(2026, 5, 15), 0, True),
        (None, date(2026, 5, 15), None, False),
    ],
)
def test_a_vague_birth_date_gives_the_lowest_age_it_allows(
    birth_date: str | None, as_of: date, age: int | None, said: bool
) -> None:
    record = read(patient={**PATIENT, "birthDate": birth_date}, as_of=as_of)
    assert record.facts.age_years == age
    assert bool(record.unread) is said


@pytest.mark.parametrize(
    ("gender", "sex"),
    [("female", Sex.FEMALE), ("male", Sex.MALE), ("other", None), ("unknown", None), (None, None)],
)
def test_sex_is_read_where_it_is_recorded_as_one_of_two(
    gender: str | None, sex: Sex | None
) -> None:
    assert read(patient={**PATIENT, "gender": gender}).facts.sex is sex


@pytest.mark.parametrize(
    "deceased", [{"deceasedBoolean": True}, {"deceasedDateTime": "2026-01-01"}]
)
def test_a_deceased_patient_is_asked_about(deceased: Json) -> None:
    assert asked(read(patient={**PATIENT, **deceased})) == ["Bundle.entry[0].resource.deceased"]


COULD_MATTER = ["MedicationDispense", "MedicationAdministration", "Procedure", "DiagnosticReport"]


@pytest.mark.parametrize("kind", COULD_MATTER)
def test_a_resource_that_is_not_read_and_could_matter_is_said(kind: str) -> None:
    record = read({"resourceType": kind, "id": "x"})
    assert [u.expression for u in record.unread] == [ONE]
    assert kind in record.unread[0].why


def test_a_resource_that_could_not_matter_is_passed_over_in_silence() -> None:
    assert read({"resourceType": "Organization", "id": "x"}).unread == ()


def test_references_name_what_was_used_in_order_and_paths_lead_there() -> None:
    record = read(
        statement(LT4, dosage(ucum(100, "ug"))),
        condition("386661006"),
        condition(FIBRILLATION, id="c2"),
        {"resourceType": "Organization", "id": "x"},
    )
    assert record.references == ("Patient/p1", "MedicationStatement/s1", "Condition/c2")
    assert record.paths == (
        "Bundle.entry[0].resource",
        "Bundle.entry[1].resource",
        "Bundle.entry[3].resource",
    )
