"""A client that takes a series up and lives with it: signs, edits, drops our marks, comes back."""

import copy
import json
from collections.abc import Callable, Iterator
from datetime import date, timedelta

import pytest
from fastapi.testclient import TestClient

from crossgrain.app.factory import create_app
from crossgrain.catalogue import Catalogue
from crossgrain.http.settings import Settings

from . import hooks
from .calls import FHIR, LT4, PATIENTS, Resource
from .ehr import (
    DAY_ONE,
    KEEPING,
    UCUM,
    Ehr,
    as_it_is,
    decision_day,
    desiccated_240,
    findings,
    is_new,
    period,
    rises,
    starts,
    without_extension,
    without_group,
    without_marks,
)

EVERY_FILE = sorted(path.name for path in PATIENTS.iterdir())


@pytest.fixture(scope="module")
def ehr(catalogue: Catalogue) -> Ehr:
    return Ehr(catalogue, LT4, "desiccated-thyroid")


@pytest.mark.parametrize("keep", KEEPING)
def test_each_unchanged_step_is_signed_on_its_day_without_a_word(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    assert len(starts(ehr)) > 3
    for day in starts(ehr):
        drafts = [keep(order) for order in ehr.steps_beginning(day)]
        assert ehr.cards(day, ehr.live_until(day, keep), drafts) == [], day


@pytest.mark.parametrize("keep", [as_it_is, without_marks])
def test_a_whole_series_signed_at_once_is_not_added_up(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    assert ehr.cards(0, ehr.chart, [keep(order) for order in ehr.series()]) == []


@pytest.mark.parametrize("keep", KEEPING)
def test_a_step_edited_to_240_mg_is_judged_whatever_it_is_labelled(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    for day in rises(ehr)[:2]:
        drafts = [
            desiccated_240(keep(o)) if is_new(o) else keep(o) for o in ehr.steps_beginning(day)
        ]
        assert any("240 mg" in str(draft) for draft in drafts)
        (card,) = ehr.cards(day, ehr.live_until(day, keep), drafts)
        said = card["summary"] + card["detail"]
        assert "too much" in said or "T3 rises" in said, said


def test_a_made_up_group_clears_no_order(ehr: Ehr) -> None:
    (order,) = [desiccated_240(o) for o in ehr.steps_beginning(0) if is_new(o)]
    order["groupIdentifier"]["value"] = "anything"
    del order["extension"]
    assert ehr.cards(0, ehr.chart, [order]) != []


@pytest.mark.parametrize("keep", KEEPING)
def test_an_infarction_the_day_before_the_second_step_stops_it(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = rises(ehr)[1]
    infarction = {
        "resourceType": "Condition",
        "id": "mi",
        "subject": {"reference": f"Patient/{ehr.patient_id}"},
        "clinicalStatus": {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/condition-clinical",
                    "code": "active",
                }
            ]
        },
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "22298006"}]},
        "onsetDateTime": (DAY_ONE + timedelta(day - 1)).isoformat(),
    }
    drafts = [keep(order) for order in ehr.steps_beginning(day)]
    (card,) = ehr.cards(day, [*ehr.live_until(day, keep), infarction], drafts)
    assert card["indicator"] == "critical"
    assert "infarction" in card["detail"]


@pytest.mark.parametrize("keep", KEEPING)
def test_a_later_step_brought_forward_is_judged(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = 1
    strongest = [order for order in ehr.series() if "thyroid 60 mg" in str(order)]
    last = keep(copy.deepcopy(strongest[-1]))
    period(last)["start"] = (DAY_ONE + timedelta(day)).isoformat()
    last["dosageInstruction"][0].pop("text")  # which says the day that was planned
    (card,) = ehr.cards(day, ehr.live_until(day, keep), [last])
    assert "at once" in card["summary"] + card["detail"]


def test_a_dose_and_its_extension_edited_alike_disagree_with_the_care_plan_or_a_sibling(
    ehr: Ehr,
) -> None:
    """Facts that were changed in one order agree with no other: it is judged as any."""
    day = rises(ehr)[1]
    orders = [order for order in ehr.steps_beginning(day) if is_new(order)]
    changed = desiccated_240(orders[0])
    parts = changed["extension"][0]["extension"]
    (order,) = [part for part in parts if part["url"] == "order"]
    for part in order["extension"]:
        if part["url"] == "strength":
            part["valueQuantity"]["value"] = 240
        elif part["url"] == "dose":
            part["valueString"] = " ".join(["240", *part["valueString"].split(" ")[1:]])
    (checkpoint,) = [part for part in parts if part["url"] == "checkpoint"]
    checkpoint["extension"][0]["valueDecimal"] = 4
    alone = [r for r in ehr.chart if r["resourceType"] != "MedicationRequest"]
    plan = next(r for r in ehr.filed if r["resourceType"] == "CarePlan")
    assert ehr.cards(day, [*alone, plan], [changed]) != []
    assert ehr.cards(day, ehr.live_until(day, as_it_is), [changed]) != []


def test_the_care_plan_that_agrees_changes_nothing_and_its_absence_is_no_fault(ehr: Ehr) -> None:
    day = starts(ehr)[1]
    plan = next(r for r in ehr.filed if r["resourceType"] == "CarePlan")
    chart = ehr.live_until(day, as_it_is)
    assert ehr.cards(day, [*chart, plan], ehr.steps_beginning(day)) == []
    assert ehr.cards(day, chart, ehr.steps_beginning(day)) == []


@pytest.mark.parametrize("keep", KEEPING)
def test_a_plan_asked_for_in_the_midst_of_another_is_stopped(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = starts(ehr)[2] + 1
    if keep in {without_extension, without_marks}:
        # by its shape a taper shows only once the old dose has fallen from one order to the next
        old = [period(order)["start"] for order in ehr.series() if not is_new(order)]
        day = (date.fromisoformat(old[1]) - DAY_ONE).days + 1
    answer = ehr.propose(day, ehr.live_until(day, keep), "desiccated-thyroid")
    assert "plan-running" in findings(answer)
    guidance = answer["entry"][0]["resource"]
    assert guidance["status"] == "success"
    assert "result" not in guidance


@pytest.mark.parametrize("keep", KEEPING)
def test_on_its_own_decision_day_the_plan_is_still_the_running_one(
    ehr: Ehr, keep: Callable[[Resource], Resource]
) -> None:
    day = decision_day(ehr)
    answer = ehr.propose(day, ehr.live_until(day, keep), "desiccated-thyroid")
    assert "plan-running" in findings(answer)
    assert "No current thyroid hormone" not in json.dumps(answer)


def test_a_plan_that_was_recorded_as_given_up_stops_nothing(ehr: Ehr) -> None:
    day = starts(ehr)[2] + 1
    chart = [
        {**r, "status": "stopped"} if "extension" in r else r for r in ehr.live_until(day, as_it_is)
    ]
    again = [
        {**r, "status": "active"} for r in ehr.chart if r["resourceType"] == "MedicationStatement"
    ]
    others = [r for r in chart if r["resourceType"] != "MedicationStatement"]
    answer = ehr.propose(day, [*others, *again], "desiccated-thyroid")
    assert "plan-running" not in findings(answer)


@pytest.fixture(scope="module")
def today(catalogue: Catalogue) -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), catalogue)) as client:
        yield client


@pytest.mark.parametrize("file", EVERY_FILE)
def test_nobodys_ordinary_record_is_taken_for_a_running_plan(today: TestClient, file: str) -> None:
    for target in ("levothyroxine", "desiccated-thyroid", "liothyronine"):
        answer = today.post(
            "/fhir/r4/$propose-switch",
            params={"target": target, "as-of": DAY_ONE.isoformat()},
            content=(PATIENTS / file).read_bytes(),
            headers=FHIR,
        )
        assert answer.status_code == 200 or "already shows the regimen" in answer.text
        assert "plan-running" not in answer.text


@pytest.mark.parametrize(("day", "silent"), [(12, True), (13, True), (14, False), (28, False)])
def test_an_order_signed_when_its_first_dose_is_over_begins_with_one_that_nobody_climbed_to(
    ehr: Ehr, day: int, silent: bool
) -> None:
    (order,) = (o for o in ehr.steps_beginning(0) if is_new(o))
    assert len(order["dosageInstruction"]) == 3  # 15, 30 and 45 mg, 14 days each
    assert (ehr.cards(day, ehr.chart, [order]) == []) is silent


def test_a_card_describes_each_dose_of_an_order(ehr: Ehr) -> None:
    draft = hooks.order("desiccated thyroid 60 mg per grain", "10572", 60, "mg", ehr.patient_id)
    (card,) = ehr.cards(0, ehr.chart, [draft])
    created = [a for a in card["suggestions"][0]["actions"] if "resource" in a]
    orders = [a for a in created if a["resource"]["resourceType"] == "MedicationRequest"]
    assert max(len(action["resource"]["dosageInstruction"]) for action in orders) >= 3
    for action in orders:
        for instruction in action["resource"]["dosageInstruction"]:
            assert instruction["text"] in action["description"]


def test_two_doses_one_after_the_other_are_not_added_up(ehr: Ehr) -> None:
    """30 mg for 14 days, then 60 mg for 14: never 90 mg a day."""
    climbing = next(o for o in ehr.series() if is_new(o))
    thirty, sixty = (without_marks(copy.deepcopy(climbing)) for _ in range(2))
    for order, mg, first_day in ((thirty, 30, 0), (sixty, 60, 14)):
        begin = DAY_ONE + timedelta(first_day)
        order["dosageInstruction"] = order["dosageInstruction"][:1]
        period(order).update(start=begin.isoformat(), end=(begin + timedelta(13)).isoformat())
        (dosage,) = order["dosageInstruction"]
        dosage.pop("text")
        dosage["doseAndRate"] = [{"doseQuantity": {"value": mg, "system": UCUM, "code": "mg"}}]
    sixty["id"] = "sixty"
    one = hooks.order("thyroid", "10572", 30, "mg", ehr.patient_id)
    one["medicationCodeableConcept"]["text"] = "desiccated thyroid 60 mg per grain"
    (dosage,) = one["dosageInstruction"]
    fourteen = {"value": 14, "unit": "days", "system": UCUM, "code": "d"}
    dosages = [copy.deepcopy(dosage) | {"sequence": number} for number in (1, 2)]
    for each, mg in zip(dosages, (30, 60), strict=True):
        each["doseAndRate"][0]["doseQuantity"]["value"] = mg
        each["timing"]["repeat"]["boundsDuration"] = fourteen
    one["dosageInstruction"] = dosages
    for drafts in ([thirty, sixty], [one]):
        (card,) = ehr.cards(0, ehr.chart, drafts)
        said = card["summary"]
        assert said.startswith("Desiccated thyroid 30 mg a day, then desiccated thyroid 60 mg"), (
            said
        )
        assert "0.333 of today's dose on practice" in said  # 60 mg, on 50 µg a grain, of 150 µg


UNDER_WAY = "a series that this service proposed is under way"


@pytest.mark.parametrize(
    ("keep", "known"),
    [(as_it_is, True), (without_group, True), (without_extension, False), (without_marks, False)],
)
def test_the_screening_knows_a_series_that_is_followed_by_what_its_orders_say(
    ehr: Ehr, keep: Callable[[Resource], Resource], known: bool
) -> None:
    for day in starts(ehr)[1:3]:
        answer = ehr.ask("$screen-switches", day + 1, ehr.live_until(day + 1, keep))
        assert (UNDER_WAY in json.dumps(answer)) is known, day


def test_the_screening_judges_a_step_that_was_edited(ehr: Ehr) -> None:
    day = starts(ehr)[1] + 1
    chart = [
        desiccated_240(r) if r["resourceType"] == "MedicationRequest" and is_new(r) else r
        for r in ehr.live_until(day, as_it_is)
    ]
    answer = ehr.ask("$screen-switches", day, chart)
    assert UNDER_WAY not in json.dumps(answer)
