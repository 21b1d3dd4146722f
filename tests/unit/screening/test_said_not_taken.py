"""A switch is judged only from what was taken: what another resource says was not is in doubt.

An order stands until somebody ends it, and often nobody does.
"""

from typing import Any

import pytest
from tests.unit.reading.records import (
    AS_OF,
    CATALOGUE,
    DAILY,
    LT3,
    LT4_100,
    SUBJECT,
    THYROID_60,
    Json,
    ucum,
)
from tests.unit.screening.records import NEW, OLD, STILL, day, order, read

from crossgrain.dosing.preparations import Kind
from crossgrain.names.identity import FhirVersion
from crossgrain.screening.course import ScreeningOutcome, Undecided
from crossgrain.screening.screen import Ruler, screen

RULER = Ruler(AS_OF, tuple(b for b in CATALOGUE.bases if b.sets_checkpoint), CATALOGUE.limits)


def said_of(what: Json, dose: Json, status: str, **more: Any) -> Json:
    """A statement beside the orders."""
    return {
        "resourceType": "MedicationStatement",
        "id": "said",
        "status": status,
        "subject": SUBJECT,
        "medicationCodeableConcept": what,
        "dosage": [{"timing": DAILY, "doseAndRate": [{"doseQuantity": dose}]}],
        **more,
    }


def of_new(status: str, **more: Any) -> Json:
    return said_of(THYROID_60, ucum(60, "mg"), status, **more)


def of_old(status: str, **more: Any) -> Json:
    return said_of(LT4_100, ucum(100, "ug"), status, **more)


def period(first: int, last: int | None = None) -> Json:
    """An effective period."""
    return {"start": day(first), **({"end": day(last)} if last is not None else {})}


NOT_TO_TAKE = {
    **order("not", THYROID_60, ucum(60, "mg"), -30),
    "doNotPerform": True,
    "dosageInstruction": [],
}


def as_r5(medicine: Json) -> Json:
    """The same in the shape of R5."""
    rest = {k: v for k, v in medicine.items() if k != "medicationCodeableConcept"}
    return {**rest, "medication": {"concept": medicine["medicationCodeableConcept"]}}


DENIED = {
    "not taken, said since": (of_new("not-taken", dateAsserted=day(-10)), [(-100, None)]),
    "not taken, on a day since": (
        of_new("not-taken", effectiveDateTime=day(-10)),
        [(-100, None)],
    ),
    "not taken, on a day, said later": (
        of_new("not-taken", effectiveDateTime=day(-120), dateAsserted=day(-10)),
        [(-100, None)],
    ),
    "not taken, nobody knows when": (of_new("not-taken"), [(-100, None)]),
    "not taken from a day on": (
        of_new("not-taken", effectivePeriod=period(-40)),
        [(-40, None)],
    ),
    "not taken all along": (of_new("not-taken", effectivePeriod=period(-300)), [(-100, None)]),
    "not taken for ten days": (
        of_new("not-taken", effectivePeriod=period(-40, -31)),
        [(-40, -31)],
    ),
    "stopped": (of_new("stopped", effectivePeriod=period(-100, -31)), [(-30, None)]),
    "stopped on a day that is not said": (
        of_new("stopped", effectivePeriod=period(-60)),
        [(-59, None)],
    ),
    "on hold": (of_new("on-hold", effectivePeriod=period(-60, -31)), [(-30, None)]),
    "completed, of the same dose": (
        of_new("completed", effectivePeriod=period(-90, -31)),
        [(-30, None)],
    ),
    "an order not to take it": (NOT_TO_TAKE, [(-30, None)]),
}


@pytest.mark.parametrize(("against", "days"), DENIED.values(), ids=DENIED.keys())
def test_puts_those_days_of_an_order_in_doubt_and_no_others(against, days):
    ordered = [i for i in read(OLD, NEW, against).intakes if i.reference.endswith("/new")]
    assert [(i.first_day, i.last_day) for i in ordered if i.doubt] == days
    assert [i.against for i in ordered if i.doubt] == [
        (f"{against['resourceType']}/{against['id']}",)
    ]
    sure = [(i.first_day, i.last_day) for i in ordered if not i.doubt]
    first, last = days[0]
    before = [(-100, first - 1)] if first > -100 else []
    assert sure == before + ([(last + 1, None)] if last is not None else [])


@pytest.mark.parametrize(("against", "_"), DENIED.values(), ids=DENIED.keys())
def test_a_switch_that_rests_on_it_is_to_be_reviewed_with_both_named(against, _):
    found = screen(read(OLD, NEW, against), RULER)
    if against.get("effectivePeriod") != period(-40, -31):
        assert found.outcome is ScreeningOutcome.NEEDS_REVIEW
        assert {"MedicationRequest/new"} <= set(found.references)
        assert len(found.references) > 1
    else:
        assert found.outcome is not ScreeningOutcome.NEEDS_REVIEW  # it was taken up again long ago


AGREEING = {
    "the old one is not taken, said since the change": of_old("not-taken", dateAsserted=day(-50)),
    "the old one is not taken since the change": of_old(
        "not-taken", effectivePeriod=period(-100)
    ),
    "the old one was stopped on its last day": of_old(
        "stopped",
        effectivePeriod=period(-500, -101),
        derivedFrom=[{"reference": "MedicationRequest/old"}],
    ),
    "an order not to take the old one": {
        **NOT_TO_TAKE, "medicationCodeableConcept": LT4_100, "authoredOn": day(-100),
    },
    "the new one was not taken before it was ordered": of_new(
        "not-taken", dateAsserted=day(-200)
    ),
    "an order not to take it that was withdrawn": {**NOT_TO_TAKE, "status": "cancelled"},
    "another hormone is not taken": said_of(LT3, ucum(5, "ug"), "not-taken", dateAsserted=day(-9)),
}  # fmt: skip


@pytest.mark.parametrize("beside", AGREEING.values(), ids=AGREEING.keys())
def test_what_agrees_with_the_orders_puts_nothing_in_doubt(beside):
    taken = read(OLD, NEW, beside).intakes
    assert not any(i.doubt for i in taken)
    assert {i.kind for i in taken} == {Kind.LEVOTHYROXINE, Kind.DESICCATED_THYROID}


def test_what_the_old_medicine_was_not_taken_for_is_in_doubt_too():
    old, *_ = read(OLD, NEW, of_old("not-taken", effectivePeriod=period(-600, -90))).intakes
    assert (old.first_day, old.last_day, bool(old.doubt)) == (-500, -101, True)


def test_an_order_that_another_took_the_place_of_is_not_held_to_days_after_it():
    newer = {**NEW, "priorPrescription": {"reference": "MedicationRequest/old"}}
    said = of_old("not-taken", dateAsserted=day(-50))
    assert not any(i.doubt for i in read(STILL, newer, said).intakes)
    assert any(i.doubt for i in read(STILL, NEW, said).intakes)


def test_of_an_order_that_ended_on_no_day_only_what_was_never_taken_is_in_doubt():
    bare = {**OLD, "dosageInstruction": [{**OLD["dosageInstruction"][0], "timing": DAILY}]}
    said = of_old("not-taken", dateAsserted=day(-50))
    assert not any(i.doubt for i in read(bare, NEW, said).intakes)
    never = of_old("not-taken", effectivePeriod=period(-500, -101))
    assert any(i.doubt for i in read(bare, NEW, never).intakes)


def test_a_statement_made_from_an_order_that_goes_on_stands_for_it_until_it_was_stopped():
    """What is left of the order is in doubt, and is not forgotten with the part restated."""
    source = [{"reference": "MedicationRequest/new"}]
    said = of_new("stopped", effectivePeriod=period(-100, -31), derivedFrom=source)
    found = [(i.reference, i.first_day, bool(i.doubt)) for i in read(OLD, NEW, said).intakes]
    assert found[1:] == [
        ("MedicationRequest/new", -30, True),
        ("MedicationStatement/said", -100, False),
    ]


@pytest.mark.parametrize("status", ["stopped", "cancelled", "on-hold"])
def test_a_statement_whose_order_was_given_up_is_in_doubt(status):
    said = of_new("active", effectivePeriod=period(-100), dateAsserted=day(-10))
    ordered = order("new", THYROID_60, ucum(60, "mg"), -100, status=status)
    ordered["dosageInstruction"][0]["timing"] = DAILY
    for more in ({}, {"derivedFrom": [{"reference": "MedicationRequest/new"}]}):
        found = screen(read(OLD, ordered, {**said, **more}), RULER)
        assert found.outcome is ScreeningOutcome.NEEDS_REVIEW
    assert screen(read(OLD, said), RULER).outcome is not ScreeningOutcome.NEEDS_REVIEW


@pytest.mark.parametrize("change", [{"status": "cancelled"}, {"doNotPerform": True}])
def test_where_one_is_over_and_the_other_was_not_taken_somebody_has_to_look(change):
    with pytest.raises(Undecided, match="is said not to be taken") as raised:
        read(OLD, {**NEW, **change})
    assert raised.value.references == ("MedicationRequest/old", "MedicationRequest/new")
    with pytest.raises(Undecided, match="is said not to be taken"):
        read(OLD, of_new("not-taken", dateAsserted=day(-10)))


@pytest.mark.parametrize(
    "change",
    [{"status": "entered-in-error"}, {"status": "draft"}, {"intent": "proposal"}],
)
def test_a_slip_or_a_draft_beside_what_is_over_is_no_saying(change):
    assert read(OLD, {**NEW, **change}).intakes == ()


@pytest.mark.parametrize("code", ["not-taking", "stopped", "on-hold-not-as-directed"])
def test_r5_says_it_by_adherence(code):
    said = {
        **of_new("recorded", dateAsserted=day(-10), effectivePeriod=period(-100)),
        "adherence": {"code": {"coding": [{"code": code}]}},
    }
    resources = [as_r5(each) for each in (OLD, NEW, said)]
    found = screen(read(*resources, version=FhirVersion.R5), RULER)
    assert found.outcome is ScreeningOutcome.NEEDS_REVIEW


@pytest.mark.parametrize(("stopped_on", "in_doubt"), [(-9, True), (-10, False), (-11, False)])
def test_what_is_said_after_an_order_was_stopped_stands_and_before_it_does_not(
    stopped_on, in_doubt
):
    """R5 has the day of it (`statusChanged`): a later word from the patient is not out of date."""
    stopped = {**NEW, "status": "stopped", "statusChanged": day(stopped_on)}
    stopped["dosageInstruction"] = [{**NEW["dosageInstruction"][0], "timing": DAILY}]
    said = {
        **of_new("recorded", dateAsserted=day(-10), effectivePeriod=period(-100)),
        "derivedFrom": [{"reference": "MedicationRequest/new"}],
    }
    resources = [as_r5(each) for each in (OLD, stopped, said)]
    found = read(*resources, version=FhirVersion.R5).intakes
    assert any(i.doubt for i in found if i.reference == "MedicationStatement/said") is in_doubt


def test_two_that_say_it_of_one_day_say_the_same_in_whatever_order_they_stand():
    """The first by reference is named, so that a bundle put in another order changes nothing."""
    on_hold = of_new("on-hold", effectivePeriod=period(-100, -31))
    both = [{**on_hold, "id": own} for own in ("b", "a", "c")]
    found = [
        [(i.first_day, i.last_day, bool(i.doubt), i.against) for i in read(OLD, NEW, *said).intakes]
        for said in (both, both[::-1])
    ]
    assert found[0] == found[1]
    assert any(taken[3][:1] == ("MedicationStatement/a",) for taken in found[0])
