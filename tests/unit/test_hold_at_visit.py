"""What a hold binds at a visit after the first: what rises, and nothing else."""

from typing import Any

import pytest
from tests.conformance.patients import CATALOGUE
from tests.unit.reading.records import PATIENT, SUBJECT, Json, bundle, encoded
from tests.unit.sheet.pages import BRITISH, VERSION, parsed
from tests.unit.sheet.visits import VISITS, record
from tests.unit.visits import chart, diagnosis, first_day, hypothyroid, old, on, proposed, says, tsh

from crossgrain.core.next_step import NextStep
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.desk import desk_over, now, parse_resource
from crossgrain.operations.next_step import SettledStep, answer_to, settle
from crossgrain.operations.parameters import from_query
from crossgrain.safety.rule import Finding, Severity
from crossgrain.sheet.page import Sheet, sheet_html

DESK = desk_over(CATALOGUE, now)
PLAN = proposed()
FIBRILLATION = "49436004"
OLDER = {**PATIENT, "birthDate": "1947-01-01"}
WAITS = "before this is done"


def visit(day: int, *resources: Json, patient: Json = PATIENT) -> NextStep:
    content = parse_resource(encoded(bundle(*resources, patient=patient)))
    return settle(DESK, content, from_query([("as-of", on(day))]), FhirVersion.R4).step


def answer(step: NextStep) -> list[dict[str, Any]]:
    written = answer_to(DESK, SettledStep(step), FhirVersion.R4)
    return [entry["resource"] for entry in written["entry"]]


def patient_page(step: NextStep) -> str:
    page = sheet_html(Sheet.of(step), CATALOGUE, service_version=VERSION, tag=BRITISH)
    return parsed(page).by_id("patient").text


def found(step: NextStep, code: str) -> Finding:
    (finding,) = (each for each in step.proposal.findings if each.code == code)
    return finding


def act(step: NextStep) -> Act:
    assert step.standing
    return step.standing.decision.act


def of_series(step: NextStep) -> list[dict[str, Any]]:
    """The orders that hold from today on, and what is to be done of filed ones."""
    kinds = {"MedicationRequest", "Task"}
    every = [each for each in answer(step) if each["resourceType"] in kinds]
    return [each for each in every if each["intent"] == "proposal"]


def waits(resource: dict[str, Any]) -> bool:
    return any(WAITS in note["text"] for note in resource["note"]) or "detectedIssue" in resource


SUPPRESSED = visit(40, *chart(PLAN, 40, tsh("0.03", 39)))
LOWERED = {
    "a step back": SUPPRESSED,
    "a step back beside a heart condition": visit(
        40, *chart(PLAN, 40, tsh("0.03", 39), diagnosis(FIBRILLATION, -900))
    ),
    "a smaller dose without a plan": visit(
        0, hypothyroid(), old(), tsh("0.02", -5), diagnosis(FIBRILLATION, -900), patient=OLDER
    ),
}


@pytest.mark.parametrize("step", LOWERED.values(), ids=LOWERED)
def test_a_dose_that_comes_down_waits_for_nothing(step: NextStep) -> None:
    assert act(step) in {Act.STEP_BACK, Act.BRANCH}
    assert of_series(step)
    assert not [each["id"] for each in of_series(step) if waits(each)]
    assert "Do not start yet" not in patient_page(step)


@pytest.mark.parametrize("step", LOWERED.values(), ids=LOWERED)
def test_a_low_tsh_is_no_hold_on_the_lowering_that_answers_it(step: NextStep) -> None:
    low = found(step, "tsh-low")
    assert low.severity is Severity.NOTE
    assert "first dose" not in low.action


def test_a_low_tsh_holds_a_rise_where_no_dose_comes_down() -> None:
    step = visit(40, *chart(PLAN, 40, tsh("0.3", 39)))
    assert act(step) is Act.HOLD
    low = found(step, "tsh-low")
    assert low.severity is Severity.HOLD
    assert "before any dose is raised" in low.action
    assert any(map(waits, of_series(step)))
    page = patient_page(step)
    assert "Do not start yet" not in page
    assert "Do not go up to a higher dose before we tell you." in page


def test_todays_dose_never_waits_beside_the_rise_that_does() -> None:
    step = visit(40, *chart(PLAN, 40, tsh("0.3", 39)))
    rises = step.rises["series"]
    assert rises > 0
    for each in of_series(step):
        if each["resourceType"] == "MedicationRequest":
            bounds = [d["timing"]["repeat"]["boundsPeriod"] for d in each["dosageInstruction"]]
            assert waits(each) == (bounds[-1]["end"] >= on(40 + rises))


def test_a_raise_does_not_wait_for_the_raise_that_a_shortage_asks_for() -> None:
    step = visit(0, hypothyroid(), old(), tsh("15", -5))
    assert act(step) is Act.BRANCH
    assert found(step, "shortage-today").severity is Severity.NOTE
    assert not any("aise today's medicine" in n["text"] for o in of_series(step) for n in o["note"])


def test_a_raise_waits_for_what_speaks_against_it() -> None:
    step = visit(0, hypothyroid(), old(), tsh("15", -5), diagnosis(FIBRILLATION, -900))
    assert step.standing
    assert step.standing.decision.reading is LabReading.VERY_HIGH
    orders = [each for each in of_series(step) if each["resourceType"] == "MedicationRequest"]
    assert orders
    assert all(map(waits, orders))
    assert all(
        "before any dose is raised" in f.action
        for f in step.proposal.findings
        if f.code == "atrial-fibrillation"
    )
    assert "Do not start yet" in patient_page(step)


def test_the_age_of_a_patient_whose_dose_is_adjusted_speaks_of_no_plan() -> None:
    step = visit(0, hypothyroid(), old(), tsh("15", -5), patient=OLDER)
    assert found(step, "age-65-or-over").action == (
        "Ask about the heart and bone before any dose is raised."
    )


def test_signs_in_mid_climb_are_not_said_to_be_of_before_it() -> None:
    step = visit(40, *chart(PLAN, 40, says(39, "jitters")))
    assert "first step" not in found(step, "symptoms-reported").statement
    assert "not new" not in found(step, "symptoms-reported").action


def test_overlap_is_offered_only_where_it_was_not_chosen_and_can_be() -> None:
    for step in LOWERED.values():
        for each in step.proposal.findings:
            assert "overlap" not in each.action


def test_where_nothing_is_taken_no_dose_is_said_to_be_raised() -> None:
    resources = [each for each in chart(PLAN, 40) if each["resourceType"] != "MedicationRequest"]
    step = visit(60, *resources)
    assert act(step) is Act.ASK
    written = str(answer(step))
    assert "still being raised" not in written


# --- what is new in the record -------------------------------------------------------------------

AMIODARONE: Json = {
    "resourceType": "MedicationStatement",
    "id": "s-amiodarone",
    "status": "active",
    "medicationCodeableConcept": {"text": "amiodarone 200 mg tablet"},
    "subject": SUBJECT,
    "effectivePeriod": {"start": on(20)},
}
UNDATED = {key: v for key, v in diagnosis(FIBRILLATION, 0).items() if key != "onsetDateTime"}
NEWS = {
    "an arrhythmia since the last step": (diagnosis(FIBRILLATION, 20), "atrial-fibrillation"),
    "one of no date that the plan did not know": (UNDATED, "atrial-fibrillation"),
    "one that began before the plan and came to light since": (
        diagnosis(FIBRILLATION, -900),
        "atrial-fibrillation",
    ),
    "a medicine since the last step": (AMIODARONE, "amiodarone"),
}


@pytest.mark.parametrize(("new", "code"), NEWS.values(), ids=NEWS)
def test_what_is_new_and_speaks_against_a_rise_holds_todays_dose(new: Json, code: str) -> None:
    step = visit(30, *chart(PLAN, 30, new))
    assert act(step) is Act.HOLD
    assert found(step, code).severity is Severity.HOLD
    assert step.proposal.plan
    assert step.rises["series"] == CATALOGUE.numbers["next_step.hold_days"].value
    rising = [o for o in of_series(step) if waits(o)]
    assert rising
    today = step.proposal.plan.steps[0]
    assert today.first_day == 0


@pytest.mark.parametrize(("new", "code"), NEWS.values(), ids=NEWS)
def test_no_page_and_no_resource_says_that_all_goes_on(new: Json, code: str) -> None:
    step = visit(30, *chart(PLAN, 30, new))
    every = f"{answer(step)} {patient_page(step)}"
    assert "speaks against going on" not in every
    assert "All goes as planned" not in every
    assert "Do not go up to a higher dose before we tell you." in every
    assert found(step, code).title in every


def test_every_signed_order_that_would_rise_is_withdrawn_for_what_is_new() -> None:
    step = visit(30, *chart(PLAN, 30, diagnosis(FIBRILLATION, 20), signed_until=60))
    ahead = {f"MedicationRequest/{o['id']}" for o in PLAN.signed(60) if first_day(o) > on(30)}
    assert ahead
    tasks = [each for each in of_series(step) if each["resourceType"] == "Task"]
    assert ahead <= {task["focus"]["reference"] for task in tasks}


def test_the_checks_that_what_is_new_asks_for_are_ordered() -> None:
    step = visit(30, *chart(PLAN, 30, diagnosis(FIBRILLATION, 20)))
    asked = [each for each in answer(step) if each["resourceType"] == "ServiceRequest"]
    words = {each["code"]["text"] for each in asked if each["intent"] == "proposal"}
    assert {"Electrocardiogram", "Resting pulse"} <= words


def test_the_steps_that_are_left_are_as_long_as_the_pace_that_is_told() -> None:
    plan = visit(16, *chart(PLAN, 16, diagnosis(FIBRILLATION, 15))).proposal.plan
    assert plan
    assert plan.pace == "cautious"
    interval = CATALOGUE.policy.pace("cautious").interval_days
    assert {step.days for step in plan.steps[1:-1]} == {interval}


def test_what_a_plan_was_made_with_is_no_news() -> None:
    slow = proposed(pace="cautious")
    step = visit(30, *chart(slow, 30, diagnosis(FIBRILLATION, -900)))
    assert act(step) is Act.CONTINUE
    assert found(step, "atrial-fibrillation").severity is Severity.HOLD


def test_a_hold_that_stood_when_the_plan_was_signed_counts_as_settled() -> None:
    on_time = record("on-time")
    (patient,) = (
        each["resource"]["id"]
        for each in on_time["entry"]
        if each["resource"]["resourceType"] == "Patient"
    )
    before = {
        **AMIODARONE,
        "subject": {"reference": f"Patient/{patient}"},
        "effectivePeriod": {"start": on(-300)},
    }
    content = {**on_time, "entry": [*on_time["entry"], {"resource": before}]}
    asked = from_query([("as-of", VISITS["on-time"]["as_of"])])
    step = settle(DESK, content, asked, FhirVersion.R4).step
    assert act(step) is Act.CONTINUE
    assert not step.changes
    assert found(step, "amiodarone").severity is Severity.HOLD
    assert "for orders that are signed it counts as settled" in str(answer(step))
    page = patient_page(step)
    assert "All goes as planned. Go on." in page
    assert "Do not start yet" not in page
    assert "Do not go up" not in page


def test_where_nothing_rises_any_more_what_is_new_changes_no_dose() -> None:
    waiting = PLAN.plan.steps[-1].first_day + 3
    step = visit(waiting, *chart(PLAN, waiting, diagnosis(FIBRILLATION, waiting - 2)))
    assert act(step) is Act.CONTINUE
    assert not step.rises.get("series")
