"""Which filed orders a next step leaves as they are, and what it orders beside them."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.test_propose import entry, record

from crossgrain.catalogue import load_catalogue
from crossgrain.core.already_ordered import (
    OrderInForce,
    as_filed,
    only_changed,
    ordered_doses,
    orders_kept,
)
from crossgrain.core.proposal import SwitchRequest
from crossgrain.core.propose import propose
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.steps import Prescription, Step
from crossgrain.dosing.tablets import Piece, Tablets
from crossgrain.dosing.targets import Target
from crossgrain.reading.record import MarkedOrder
from crossgrain.reading.series_mark import SeriesMark
from crossgrain.writing.series_mark import series_facts, step_of

CATALOGUE = load_catalogue()
COMBINING = CATALOGUE.policy.combining
DAY_ONE = date(2025, 3, 3)
Taken = dict[tuple[str, Fraction, date], Counter[tuple[Fraction, int]]]


def proposed() -> tuple[Plan, tuple[MarkedOrder, ...]]:
    """150 µg of levothyroxine to desiccated thyroid, and its orders as they are filed."""
    request = SwitchRequest(
        as_of=DAY_ONE, start=DAY_ONE, target=Target.DESICCATED_THYROID, mixture=COMBINING.mixture()
    )
    proposal = propose(record(entry("levothyroxine", 150)), request, CATALOGUE)
    assert proposal.plan
    facts = series_facts(proposal, proposal.plan, "plan")
    marked = (
        MarkedOrder(
            f"MedicationRequest/{number}",
            "active",
            SeriesMark(facts, step_of(made, proposal.plan.steps, "", DAY_ONE)),
            signed=True,
            unchanged=True,
        )
        for number, made in enumerate(proposal.plan.prescriptions)
    )
    return proposal.plan, tuple(marked)


PLAN, FILED = proposed()


def from_day(day: int, shifted: int = 0, steps: Iterable[Step] = PLAN.steps) -> Plan:
    """The plan as it is on one of its days, what is to come moved back by so many days."""
    left = []
    for step in steps:
        if step.last_day >= day:
            first = max(step.first_day - day, 0) + (shifted if step.first_day > day else 0)
            left.append(replace(step, first_day=first, last_day=step.last_day - day + shifted))
    labs = tuple(
        replace(draw, day=draw.day - day + shifted, read_before=None)
        for draw in PLAN.labs
        if draw.day >= day
    )
    return replace(PLAN, steps=tuple(left), labs=labs)


def next_orders(
    plan: Plan, today: date, filed: tuple[MarkedOrder, ...] = FILED
) -> tuple[tuple[OrderInForce, ...], tuple[Prescription, ...]]:
    kept = orders_kept(plan, today, filed)
    return kept, only_changed(plan, today, kept, CATALOGUE.policy.supply)


def taken_by(
    kept: Iterable[OrderInForce], made: Iterable[Prescription], today: date, last: date
) -> Taken:
    """What all orders together say is taken on each day from today to the last."""
    said: Taken = {}
    doses = [(o.ordered.preparation_id, o.ordered.strength, o.ordered.doses) for o in kept]
    doses += [
        (
            p.preparation.id,
            p.strength,
            tuple(d for use in p.uses for d in ordered_doses(use, today)),
        )
        for p in made
    ]
    for medicine, strength, every in doses:
        for dose in every:
            for day in days(max(dose.first_day, today), min(dose.last_day, last)):
                each = said.setdefault((medicine, strength, day), Counter())
                each[dose.daily, dose.times_a_day] += 1
    return said


def planned(plan: Plan, today: date) -> Taken:
    everything = only_changed(plan, today, (), CATALOGUE.policy.supply)
    return taken_by((), everything, today, today + timedelta(plan.steps[-1].last_day))


def days(first: date, last: date) -> Iterator[date]:
    return (first + timedelta(number) for number in range((last - first).days + 1))


@pytest.mark.parametrize("day", [0, 1, 13, 14, 15, 41, 42, 60, 100, 118])
def test_a_plan_that_goes_on_as_it_is_orders_nothing_anew(day: int) -> None:
    today = DAY_ONE + timedelta(day)
    kept, made = next_orders(from_day(day), today)
    assert made == ()
    still = {
        one.reference for one in FILED if one.mark.ordered and one.mark.ordered.last_day >= today
    }
    assert {order.reference for order in kept} == still


@given(
    day=st.integers(0, PLAN.steps[-1].last_day - 1),
    shifted=st.integers(0, 40),
    dropped=st.sets(st.integers(0, len(FILED) - 1)),
    edited=st.sets(st.integers(0, len(FILED) - 1)),
    drafts=st.sets(st.integers(0, len(FILED) - 1)),
)
def test_what_is_kept_and_what_is_new_together_are_the_plan_to_the_tablet(
    day: int, shifted: int, dropped: set[int], edited: set[int], drafts: set[int]
) -> None:
    """Whatever was filed, signed or edited: nothing is ordered twice, and nothing is missing."""
    today = DAY_ONE + timedelta(day)
    plan = from_day(day, shifted)
    filed = tuple(
        replace(one, unchanged=number not in edited, signed=number not in drafts)
        for number, one in enumerate(FILED)
        if number not in dropped
    )
    kept, made = next_orders(plan, today, filed)
    last = today + timedelta(plan.steps[-1].last_day)
    assert taken_by(kept, made, today, last) == planned(plan, today)
    assert not {order.reference for order in kept} & {f"MedicationRequest/{n}" for n in edited}


def test_of_two_orders_for_the_same_the_signed_one_is_kept() -> None:
    twice = (
        *(replace(one, signed=False, reference=f"{one.reference}-draft") for one in FILED),
        *FILED,
    )
    kept, made = next_orders(from_day(0), DAY_ONE, twice)
    assert made == ()
    assert not any(order.reference.endswith("-draft") for order in kept)


@pytest.mark.parametrize("status", ["stopped", "completed", "cancelled", "entered-in-error"])
def test_an_order_that_nobody_follows_any_more_is_ordered_anew(status: str) -> None:
    given_up = tuple(replace(one, status=status) for one in FILED)
    kept, made = next_orders(from_day(20), DAY_ONE + timedelta(20), given_up)
    assert kept == ()
    assert made


def test_a_medicine_of_which_one_tablet_is_missing_is_ordered_whole() -> None:
    """75 mg as 60 and 15: of the two orders the one for 15 mg was never filed."""
    day = 60
    today = DAY_ONE + timedelta(day)
    by_strength = {
        one.mark.ordered.strength: one
        for one in FILED
        if one.mark.ordered
        and one.mark.ordered.preparation_id == "desiccated-thyroid-60"
        and one.mark.ordered.first_day <= today <= one.mark.ordered.last_day
    }
    assert sorted(by_strength) == [15, 60]
    without = tuple(one for one in FILED if one is not by_strength[Fraction(15)])
    kept, made = next_orders(from_day(day), today, without)
    assert by_strength[Fraction(60)].reference not in {order.reference for order in kept}
    assert {p.strength for p in made if p.first_day == 0} == {15, 60}


def test_an_order_that_rises_after_the_plans_last_day_is_not_kept() -> None:
    day = 10
    short = replace(from_day(day), steps=from_day(day).steps[:1])
    kept, made = next_orders(short, DAY_ONE + timedelta(day))
    climbing = FILED[0]
    assert climbing.mark.ordered
    assert len(climbing.mark.ordered.doses) == 3
    assert climbing.reference not in {order.reference for order in kept}
    assert made


def test_an_option_that_nobody_took_up_is_kept_by_no_next_step() -> None:
    options = tuple(
        replace(
            one,
            signed=False,
            mark=replace(
                one.mark, ordered=one.mark.ordered and replace(one.mark.ordered, branch="tsh-high")
            ),
        )
        for one in FILED
    )
    assert orders_kept(from_day(0), DAY_ONE, options) == ()


def other_tablets(plan: Plan) -> Plan:
    """The same doses of desiccated thyroid in tablets of 30 mg and of 15 mg."""

    def changed(step: Step) -> Step:
        lines = []
        for line in step.lines:
            if line.preparation.id == "desiccated-thyroid-60" and line.amount % 30 == 0:
                pieces = (Piece(Fraction(30), line.amount / 30),)
                lines.append(replace(line, tablets=Tablets(pieces)))
            else:
                lines.append(line)
        return replace(step, lines=tuple(lines))

    return replace(plan, steps=tuple(map(changed, plan.steps)))


def test_doses_that_are_filed_in_other_tablets_stay_in_those() -> None:
    day = 20
    plan = other_tablets(from_day(day))
    assert next_orders(plan, DAY_ONE + timedelta(day))[1]
    same = as_filed(plan, FILED, ())
    assert next_orders(same, DAY_ONE + timedelta(day))[1] == ()


def test_tablets_that_are_dispensed_no_more_are_not_ordered_for_a_dose_filed_in_them() -> None:
    plan = other_tablets(from_day(20))
    in_stock = (("desiccated-thyroid-60", Fraction(30)),)
    assert as_filed(plan, FILED, in_stock) == plan


def test_an_order_is_not_kept_for_other_tablets_than_its_words_name() -> None:
    """75 mg was ordered as 60 and 15; a plan of 15 mg alone must not lean on the second of them."""
    day = 60
    today = DAY_ONE + timedelta(day)
    (fifteen,) = (
        one
        for one in FILED
        if one.mark.ordered
        and one.mark.ordered.strength == 15
        and one.mark.ordered.first_day <= today <= one.mark.ordered.last_day
    )
    lowered = []
    for step in from_day(day).steps:
        lines = tuple(
            replace(line, amount=Fraction(15), tablets=Tablets((Piece(Fraction(15), Fraction(1)),)))
            if line.preparation.id == "desiccated-thyroid-60"
            else line
            for line in step.lines
        )
        lowered.append(replace(step, lines=lines))
    kept, made = next_orders(replace(from_day(day), steps=tuple(lowered)), today)
    assert fifteen.reference not in {order.reference for order in kept}
    assert {p.strength for p in made if p.preparation.id == "desiccated-thyroid-60"} == {15}
