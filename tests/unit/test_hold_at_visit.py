"""What a hold binds at a visit after the first: what rises, and nothing else."""

from typing import Any

import pytest
from tests.conformance.patients import CATALOGUE
from tests.unit.reading.records import PATIENT, Json, bundle, encoded
from tests.unit.sheet.pages import BRITISH, VERSION, parsed
from tests.unit.visits import chart, diagnosis, hypothyroid, old, on, proposed, says, tsh

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
