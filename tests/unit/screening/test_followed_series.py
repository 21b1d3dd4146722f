"""A series of ours that is being followed is exempt, and known by what its orders say alone."""

from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

import pytest
from tests.unit.reading.records import (
    AS_OF,
    COMBINING,
    LT3,
    LT4_100,
    RXNORM,
    SUBJECT,
    THYROID_60,
    Json,
    ucum,
)
from tests.unit.reading.records import read as read_today
from tests.unit.screening.test_reading import OLD, day, order, read

from crossgrain.dosing.plan import PriorTherapy
from crossgrain.dosing.targets import Target, TargetDose
from crossgrain.names.identity import PLAN_SYSTEM, FhirVersion
from crossgrain.reading.series_mark import OrderedDose, OrderedStep, SeriesFacts
from crossgrain.writing.series_mark import facts_parts, on_order, on_plan

GROUP = {"groupIdentifier": {"system": PLAN_SYSTEM, "value": "plan-1"}}
FACTS = SeriesFacts(
    plan_id="plan-1",
    original=(("levothyroxine", (Fraction(100),)),),
    target=Target.DESICCATED_THYROID,
    basis_id="practice",
    pace="standard",
    prior_therapy=PriorTherapy.STOP,
    mixture=COMBINING.mixture(),
    family="desiccated-thyroid-60",
    most_generous=False,
    day_one=date(2025, 12, 10),
    decision=date(2026, 4, 20),
    checkpoint=TargetDose(grains=Fraction(1)),
    need=Fraction(1),
    tables="t",
)
THYROID_30 = {"coding": [{"system": RXNORM, "code": "313387"}]}
CLOSED = replace(FACTS, pace="cautious")
"""What another resource of the same plan says, and cannot be if these are one plan."""


def ours(
    own_id: str, first: int, last: int, mg: int = 60, facts: SeriesFacts = FACTS, **more: Any
) -> Json:
    """An order of 60-mg tablets that says of itself what it orders."""
    dose = OrderedDose(Fraction(mg), 1, AS_OF + timedelta(first), AS_OF + timedelta(last))
    step = OrderedStep(1, 2, "", "desiccated-thyroid-60", Fraction(60), (dose,))
    marked = {"extension": on_order(step, "mg", facts_parts(facts)), **GROUP}
    return order(own_id, THYROID_60, ucum(mg, "mg"), first, last, **marked | more)


def care_plan(facts: SeriesFacts, subject: Json = SUBJECT) -> Json:
    return {
        "resourceType": "CarePlan",
        "id": "plan",
        "status": "active",
        "intent": "plan",
        "subject": subject,
        "extension": on_plan(facts_parts(facts), ()),
    }


STEP = ours("step", -100, 30)


@pytest.mark.parametrize(
    ("standing", "until"),
    [
        ({"status": "active"}, 30),
        ({"status": "draft"}, None),
        ({"status": "active", "intent": "proposal"}, None),
    ],
)
def test_an_unchanged_step_is_planned_until_its_end_once_it_is_signed(standing, until):
    other = order("new", LT3, ucum(25, "ug"), -400, -300)
    assert read(OLD, other, STEP | standing).planned_until == until


def test_its_end_is_that_of_the_last_step_and_one_that_lies_ahead_counts_too():
    assert read(OLD, STEP, ours("next", 31, 60, 120)).planned_until == 60


def test_the_extension_alone_tells_it_and_the_group_alone_does_not():
    without_group = {key: value for key, value in STEP.items() if key not in GROUP}
    without_extension = {key: value for key, value in STEP.items() if key != "extension"}
    assert read(OLD, without_group).planned_until == 30
    assert read(OLD, without_extension).planned_until is None


def _dose(one: Json) -> None:
    one["dosageInstruction"][0]["doseAndRate"] = [{"doseQuantity": ucum(30, "mg")}]


def _start(one: Json) -> None:
    one["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"] = day(-99)


def _end(one: Json) -> None:
    one["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["end"] = day(31)


def _times(one: Json) -> None:
    one["dosageInstruction"][0]["timing"]["repeat"]["frequency"] = 2


def _tablet(one: Json) -> None:
    one["medicationCodeableConcept"] = THYROID_30


def _product(one: Json) -> None:
    one["medicationCodeableConcept"] = {
        "coding": [{"system": RXNORM, "code": "10572"}], "text": "thyroid 65 mg tablet",
    }  # fmt: skip


def _extension(one: Json) -> None:
    one["extension"][0]["extension"].pop()


EDITS = [_dose, _start, _end, _times, _tablet, _product, _extension]


def edited(one: Json, edit: Callable[[Json], None]) -> Json:
    changed = deepcopy(one)
    edit(changed)
    return changed


@pytest.mark.parametrize("edit", EDITS)
def test_a_step_of_which_anything_was_edited_is_judged_like_any_order(edit):
    assert read(OLD, edited(STEP, edit)).planned_until is None


@pytest.mark.parametrize("edit", EDITS)
def test_an_edited_step_that_is_taken_is_judged_whatever_lies_ahead(edit):
    assert read(OLD, edited(STEP, edit), ours("next", 31, 60, 120)).planned_until is None


def test_a_step_is_none_where_a_sibling_says_otherwise_of_the_plan():
    assert read(OLD, STEP, ours("next", 31, 60, facts=CLOSED)).planned_until is None


@pytest.mark.parametrize(
    ("said", "of", "until"),
    [
        (FACTS, SUBJECT, 30),
        (CLOSED, SUBJECT, None),
        (CLOSED, {"reference": "Patient/another"}, 30),
    ],
)
def test_the_care_plan_counts_where_it_came_and_is_this_patients(said, of, until):
    assert read(OLD, STEP, care_plan(said, of)).planned_until == until


def test_another_order_of_a_medicine_that_the_series_orders_is_judged():
    assert read(OLD, STEP, order("more", THYROID_60, ucum(30, "mg"), -20)).planned_until is None


def test_the_old_supply_may_go_on_beside_it_and_a_medicine_of_no_part_may_not():
    going_on = order("old", LT4_100, ucum(100, "ug"), -500)
    assert read(going_on, STEP).planned_until == 30
    assert read(OLD, order("t3", LT3, ucum(25, "ug"), -20), STEP).planned_until is None


def test_a_statement_made_from_the_step_is_the_step():
    taken = {
        "resourceType": "MedicationStatement",
        "id": "s",
        "status": "active",
        "subject": SUBJECT,
        "medicationCodeableConcept": THYROID_60,
        "effectivePeriod": {"start": day(-100)},
        "derivedFrom": [{"reference": "MedicationRequest/step"}],
        "dosage": STEP["dosageInstruction"],
    }
    assert read(OLD, STEP, taken).planned_until == 30


def test_r5_is_read_alike():
    def as_r5(one: Json) -> Json:
        concept = one["medicationCodeableConcept"]
        rest = {key: value for key, value in one.items() if key != "medicationCodeableConcept"}
        return {**rest, "medication": {"concept": concept}}

    both = as_r5(OLD), as_r5(STEP)
    assert read(*both, version=FhirVersion.R5).planned_until == 30
    changed = as_r5(edited(STEP, _dose))
    assert read(both[0], changed, version=FhirVersion.R5).planned_until is None


@pytest.mark.parametrize(("marked", "until"), [(True, 30), (False, None)])
def test_the_statement_that_a_step_changes_is_history_from_its_first_day(marked, until):
    """Of an order that is no step, supporting information says nothing of what it replaces."""
    standing = {
        "resourceType": "MedicationStatement",
        "id": "s",
        "status": "active",
        "subject": SUBJECT,
        "medicationCodeableConcept": THYROID_60,
        "effectivePeriod": {"start": day(-400)},
        "dosage": order("x", THYROID_60, ucum(120, "mg"), -400)["dosageInstruction"],
    }
    standing["dosage"][0]["timing"]["repeat"].pop("boundsPeriod")
    named = STEP | {"supportingInformation": [{"reference": "MedicationStatement/s"}]}
    if not marked:
        named.pop("extension")
    course = read(OLD, standing, named)
    assert course.planned_until == until
    (intake,) = (i for i in course.intakes if i.reference == "MedicationRequest/step")
    assert intake.replaces == ({"MedicationStatement/s"} if marked else frozenset())


@pytest.mark.parametrize(
    ("draft", "known"),
    [
        (ours("step", -100, 30, status="draft"), True),
        (ours("step", -30, 0, status="draft"), True),
        (ours("step", -30, -1, status="draft"), False),
        (edited(ours("step", -100, 30, status="draft"), _dose), False),
    ],
    ids=["under way", "its last day is today", "over since yesterday", "edited"],
)
def test_a_draft_is_known_as_a_step_of_ours_while_it_is_unchanged_and_its_days_last(draft, known):
    """Taken for ours, a draft that somebody edited would be planned past instead of judged."""
    still = order("old", LT4_100, ucum(100, "ug"), -500)
    (found,) = read_today(still, draft).drafts
    assert found.ours is known
