"""What must hold in every answer, whatever is in it."""

import re
from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from uuid import UUID

import pytest
from tests.conformance.answers import ANSWERS, answer, proposal_of
from tests.conformance.patients import FILES, as_asked
from tests.unit.writing.answers import period, resources, tablets_of, walk
from tests.unit.writing.plans import EVERY

from crossgrain.names.identity import FhirVersion

R4 = [name for name, (_, version) in ANSWERS.items() if version is FhirVersion.R4]
PERMITTED = (dict, list, str, bool, int, Decimal)


@pytest.mark.parametrize("name", ANSWERS)
def test_no_float_and_nothing_empty_is_in_the_tree(name):
    for path, node in walk(answer(name)):
        assert type(node) in PERMITTED, path
        assert node not in ("", [], {}), path


@pytest.mark.parametrize("name", ANSWERS)
def test_every_full_url_is_the_urn_of_a_lower_case_version_5_uuid(name):
    entries = answer(name)["entry"]
    for entry in entries:
        identity = entry["resource"]["id"]
        assert entry["fullUrl"] == f"urn:uuid:{identity}"
        assert UUID(identity).version == 5
        assert identity == identity.lower()
    assert len({entry["fullUrl"] for entry in entries}) == len(entries)


def references(resource):
    return [node for path, node in walk(resource) if path.endswith(".reference")]


@pytest.mark.parametrize("name", ANSWERS)
def test_every_reference_resolves_in_the_bundle_or_in_the_record(name):
    record = proposal_of(name).record
    known = {record.patient_reference, *record.references}
    for entry in (*record.current, *record.drafts):
        known |= {entry.reference, entry.encounter, entry.requester}
    bundle = answer(name)
    known |= {entry["fullUrl"] for entry in bundle["entry"]}
    for resource in resources(bundle):
        inside = {f"#{contained['id']}" for contained in resource.get("contained", [])}
        pointed_at = [r for r in references(resource) if isinstance(r, str)]
        assert set(pointed_at) <= known | inside
        # dom-3: what is contained is referred to from the resource around it
        assert inside <= set(pointed_at)


@pytest.mark.parametrize("name", ANSWERS)
def test_options_are_exactly_what_the_checkpoint_refers_to(name):
    bundle = answer(name)
    for group in [r for r in resources(bundle) if "action" in r]:
        listed = {
            node for path, node in walk(group["action"]) if path.endswith(".resource.reference")
        }
        intents = {
            e["fullUrl"]: e["resource"]["intent"]
            for e in bundle["entry"]
            if "intent" in e["resource"]
        }
        assert {intents[reference] for reference in listed} == {"option"}
        assert listed == {reference for reference, i in intents.items() if i == "option"}


def scopes(bundle):
    """The series, then each option together with what it follows."""
    by_urn = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    orders = resources(bundle, "MedicationRequest")
    series = [order for order in orders if order["intent"] == "proposal"]
    yield series
    for group in resources(bundle, "RequestGroup"):
        for option in group["action"][0]["action"]:
            chosen = [by_urn[leaf["resource"]["reference"]] for leaf in option["action"]]
            yield series + [r for r in chosen if r["resourceType"] == "MedicationRequest"]


def medicine(order):
    """The generic name: the product's text up to its strength."""
    return re.split(r" \d", order["medicationCodeableConcept"]["text"])[0]


def days(text):
    return date.fromisoformat(text)


def weekday(day):
    """Its code among FHIR's days of the week."""
    return day.strftime("%a").lower()


@pytest.mark.parametrize("name", R4)
def test_the_periods_of_each_medicine_follow_without_gap_or_overlap(name):
    for orders in scopes(answer(name)):
        periods = defaultdict(set)
        for order in orders:
            periods[medicine(order)] |= {period(one) for one in each_instruction(order)}
        for spans in periods.values():
            ordered = sorted(spans)
            assert all(days(start) <= days(end) for start, end in ordered)
            for (_, end), (start, _) in pairwise(ordered):
                assert days(start) == days(end) + timedelta(1)


@pytest.mark.parametrize("name", R4)
def test_what_is_dispensed_covers_the_period_and_no_more_than_a_tablet_over(name):
    for order in resources(answer(name), "MedicationRequest"):
        needed = 0
        by_end = defaultdict(int)
        for one in each_instruction(order):
            start, end = map(days, period(one))
            repeat = one["dosageInstruction"][0]["timing"]["repeat"]
            a_day = Fraction(tablets_of(one)) * int(repeat["frequency"])
            needed += a_day * sum(
                weekday(day) in repeat.get("dayOfWeek", [weekday(day)])
                for day in (start + timedelta(n) for n in range((end - start).days + 1))
            )
            by_end[end] += a_day * Fraction(len(repeat.get("dayOfWeek", range(7))), 7)
        first, last = days(period(order)[0]), max(by_end)
        lasts = order["dispenseRequest"]["expectedSupplyDuration"]["value"]
        reserve = lasts - ((last - first).days + 1)
        assert reserve in {0, 14}  # two weeks past the last day: our judgement
        needed += by_end[last] * int(reserve)
        given = order["dispenseRequest"]["quantity"]["value"]
        spare = 2 if any("dayOfWeek" in str(one) for one in each_instruction(order)) else 1
        assert needed <= given < needed + spare  # a week may begin on any of its days
        assert given == int(given)


def each_instruction(order):
    """The order with one of its instructions alone, for each of them."""
    for instruction in order["dosageInstruction"]:
        yield {**order, "dosageInstruction": [instruction]}


@pytest.mark.parametrize("name", R4)
def test_an_old_order_is_ended_at_most_once_on_every_way_through_the_plan(name):
    bundle = answer(name)
    tasks = [task for task in resources(bundle, "Task") if "focus" in task]
    ended = {task["focus"]["reference"] for task in tasks if task["intent"] == "proposal"}
    optional = {task["focus"]["reference"] for task in tasks if task["intent"] == "option"}
    assert not ended & optional


def test_every_shape_and_every_patient_is_looked_at():
    planned = [name for name in R4 if proposal_of(name).plan]
    assert len(R4) == len(EVERY) + len(as_asked())
    assert set(FILES) < set(as_asked())
    assert len(planned) > len(EVERY)
    assert all(resources(answer(name), "MedicationRequest") for name in planned)
