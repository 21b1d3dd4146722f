"""What is ordered is what was planned, day by day: the way back from the orders to the plan."""

from collections import Counter
from datetime import date, timedelta
from fractions import Fraction

import pytest
from tests.conformance.answers import PROPOSALS
from tests.conformance.patients import CATALOGUE, every_direction
from tests.unit.writing.answers import doses, period, resources, walk, written

PLANS = [
    *(make() for make, _ in PROPOSALS.values() if make().plan),
    *(made for made in every_direction() if made.plan),
]


def ordered_on(orders, day):
    """Mean daily amount of each medicine and unit of the orders in force on a day."""
    amounts = Counter()
    for order in orders:
        for instruction in order["dosageInstruction"]:
            one = {**order, "dosageInstruction": [instruction]}
            start, end = map(date.fromisoformat, period(one))
            if start <= day <= end:
                repeat = instruction["timing"]["repeat"]
                days = Fraction(len(repeat.get("dayOfWeek", range(7))), 7)  # the mean of a week
                name = order["medicationCodeableConcept"]["text"]
                medicine = next(n for n in sorted(NAMES, key=len)[::-1] if name.startswith(f"{n} "))
                if "calculated" in doses(one):
                    value, unit = doses(one)["calculated"]
                else:  # of two hormones there is no one mass: by the T4 of a tablet
                    count, unit = Fraction(doses(one)["ordered"][0]), "ug"
                    value = count * Fraction(name.removeprefix(f"{medicine} ").split("/")[0])
                amounts[medicine, unit] += Fraction(value) * repeat["frequency"] * days
    return amounts


NAMES = {preparation.generic_name for preparation in CATALOGUE.preparations.values()}


def planned(step):
    """The same as the plan has it, without what goes on by its standing order."""
    return {
        (line.preparation.generic_name, line.preparation.unit): line.amount
        for line in step.lines
        if line.tablets is not None
    }


def option_orders(bundle):
    """The orders of each option, in order."""
    by_urn = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    (group,) = resources(bundle, "RequestGroup")
    for option in group["action"][0]["action"]:
        chosen = [by_urn[leaf["resource"]["reference"]] for leaf in option["action"]]
        yield [r for r in chosen if r["resourceType"] == "MedicationRequest"]


@pytest.mark.parametrize("number", range(len(PLANS)))
def test_the_orders_of_every_day_add_up_to_the_doses_of_the_plan(number):
    proposal = PLANS[number]
    bundle = written(proposal, codes=CATALOGUE.codes)
    start = proposal.request.start
    orders = resources(bundle, "MedicationRequest")
    series = [order for order in orders if order["intent"] == "proposal"]
    parts = [(proposal.plan.steps, series)]
    branches = proposal.plan.checkpoint.branches
    parts += zip((b.steps for b in branches), option_orders(bundle), strict=True)
    for steps, chosen in parts:
        for step in steps:
            for day in {step.first_day, step.last_day}:
                assert ordered_on(chosen, start + timedelta(day)) == planned(step)


@pytest.mark.parametrize("number", range(len(PLANS)))
def test_the_old_order_stands_exactly_as_long_as_the_plan_leaves_it(number):
    proposal = PLANS[number]
    bundle = written(proposal, codes=CATALOGUE.codes)
    start = proposal.request.start
    ended = {
        task["focus"]["reference"]: date.fromisoformat(task["restriction"]["period"]["start"])
        for task in resources(bundle, "Task")
        if task["intent"] == "proposal" and "focus" in task
    }
    for old in proposal.record.current:
        medicine = old.lines[0].preparation.id
        as_taken = [
            step.last_day
            for step in proposal.plan.steps
            for line in step.lines
            if line.preparation.id == medicine and line.tablets is None
        ]
        last = max(as_taken, default=-1)
        if last == proposal.plan.steps[-1].last_day:
            assert old.reference not in ended
        else:
            assert ended[old.reference] == start + timedelta(last + 1)


@pytest.mark.parametrize("number", range(len(PLANS)))
def test_no_float_is_anywhere_in_the_tree(number):
    bundle = written(PLANS[number], codes=CATALOGUE.codes)
    assert not [path for path, node in walk(bundle) if isinstance(node, float)]
