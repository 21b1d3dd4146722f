"""``$next-step`` beside an order of several steps, and where tablets cannot be had."""

import json
from collections.abc import Iterator

import pytest
from fixtures.visits.chart import Chart, begun, desk, on

from crossgrain.core.next_step import NextStep
from crossgrain.names.identity import FhirVersion
from crossgrain.operations.next_step import settle
from crossgrain.operations.parameters import from_query
from crossgrain.reading.json import parse

from .calls import Resource
from .test_next_step import guidance, of_type

TO_LT3 = ("04-levothyroxine-100-to-liothyronine.json", "liothyronine")
TO_DESICCATED = ("01-levothyroxine-150.json", "desiccated-thyroid")
CLIMBING = 16
"""A day of the second step, on which one order gives it and the steps after it."""


def stepped(chart: Chart, day: int, *stock: str) -> NextStep:
    asked = from_query([("as-of", on(day)), *(("stock", each) for each in stock)])
    body = parse(json.dumps(chart.bundle()).encode())
    return settle(desk(), body, asked, FhirVersion.R4).step


def tasks(answer: Resource) -> Iterator[tuple[str, str]]:
    for task in of_type(answer, "Task"):
        yield task["code"]["text"], task["description"]


@pytest.mark.parametrize("day", range(14, 56, 3))
def test_a_plan_that_is_followed_orders_no_dose_of_liothyronine_a_second_time(day: int) -> None:
    """Also where one filed order gives today's dose and the steps after it."""
    answer = begun(*TO_LT3).next_step(day)
    assert "result" in guidance(answer)
    assert not of_type(answer, "MedicationRequest")


@pytest.mark.parametrize(
    ("course", "stock", "dose"),
    [
        (TO_LT3, "liothyronine 25", "Liothyronine sodium 10 micrograms"),
        (TO_DESICCATED, "desiccated-thyroid 60", "Desiccated thyroid 30 mg"),
    ],
)
def test_a_dose_that_no_tablets_make_is_asked_about_with_its_last_day(
    course: tuple[str, str], stock: str, dose: str
) -> None:
    step = stepped(begun(*course), CLIMBING, stock)
    assert step.standing is not None
    assert step.standing.decision.row == "no-tablets"
    (question,) = step.proposal.record.questions
    assert f"{dose} a day is ordered until {on(27)}" in question.question
    assert f"no tablets that can be had make it from {on(28)} on" in question.question
    assert all(held.rises for held in step.replaced.waiting if held.order.preparation.carries_t3)
    assert step.proposal.plan is None


def test_the_order_that_would_rise_keeps_its_dose_where_palpitations_hold_the_climb() -> None:
    chart = begun(*TO_LT3)
    chart.told(CLIMBING, palpitations=True)
    answer = chart.next_step(CLIMBING, stock="liothyronine 25")
    (kept,) = (says for code, says in tasks(answer) if code == "Keep the dose of this order")
    assert "Do not raise liothyronine sodium" in kept
    found = [issue["detail"] for issue in of_type(answer, "DetectedIssue")]
    assert any(f"no tablets that can be had make it from {on(28)} on" in each for each in found)
