"""``$next-step``: labs that a hold waits for are drawn in time, and nothing rises without them."""

import pytest
from fixtures.visits.chart import Chart, begun, on

from .calls import Resource
from .test_next_step import guidance, of_type, said

COURSE = ("01-levothyroxine-150.json", "desiccated-thyroid")
VISIT, NEXT_STEP = 45, 59
"""A day in mid-climb, and the first day of the next step where it is held for two weeks."""
LABS = 112
"""The day of the draw that decides."""


def low_on_the_way() -> tuple[Chart, Resource]:
    chart = begun(*COURSE)
    chart.result("tsh", VISIT - 5, 0.2)
    return chart, chart.next_step(VISIT)


def days_of(answer: Resource, test: str) -> list[str]:
    """The days for which the series asks for something to be measured."""
    return [
        request["occurrenceDateTime"]
        for request in of_type(answer, "ServiceRequest")
        if request["intent"] == "proposal" and test in request["code"]["text"]
    ]


def row(answer: Resource) -> str:
    (code,) = said(answer)["row"]
    return str(code)


def test_after_a_low_tsh_on_the_way_labs_are_read_before_the_next_step() -> None:
    _, answer = low_on_the_way()
    assert row(answer) == "low-on-the-way"
    drawn = days_of(answer, "Thyrotropin")[0]
    assert on(VISIT) < drawn < on(NEXT_STEP)
    rises = [
        order
        for order in of_type(answer, "MedicationRequest")
        if order["intent"] == "proposal"
        and order["dosageInstruction"][0]["timing"]["repeat"]["boundsPeriod"]["start"]
        == on(NEXT_STEP)
    ]
    assert rises
    for order in rises:
        assert any("Not before the blood test of" in note["text"] for note in order["note"])


def test_without_those_labs_the_next_visit_raises_nothing() -> None:
    chart, answer = low_on_the_way()
    chart.take_up(answer)
    assert row(chart.next_step(NEXT_STEP - 1)) == "as-planned"
    assert row(chart.next_step(NEXT_STEP)) == "overdue"
    chart.result("tsh", NEXT_STEP - 7, 1.2)
    assert row(chart.next_step(NEXT_STEP)) != "overdue"


def test_what_is_wanted_now_is_asked_for_today() -> None:
    chart = begun(*COURSE)
    chart.told(VISIT, palpitations=True)
    answer = chart.next_step(VISIT)
    assert row(answer) == "palpitations-no-labs"
    for test in ("Thyrotropin", "Triiodothyronine", "Resting pulse", "Electrocardiogram"):
        assert days_of(answer, test)[0] == on(VISIT), test


@pytest.mark.parametrize("day", [130, 132])
def test_overdue_labs_are_asked_for_today(day: int) -> None:
    answer = begun(*COURSE).next_step(day)
    assert row(answer) == "overdue"
    assert days_of(answer, "Thyrotropin") == [on(day)]


@pytest.mark.parametrize(("day", "due"), [(111, False), (112, True), (120, True), (126, True)])
def test_labs_whose_day_is_past_are_called_due_since_that_day_and_drawn_today(
    day: int, due: bool
) -> None:
    answer = begun(*COURSE).next_step(day)
    words = guidance(answer)["text"]["div"]
    assert row(answer) == ("labs-due" if due else "await-labs")
    assert ("have been due since 23 June 2025" in words) is due
    assert ("not due yet" in words) is not due
    if day > LABS:
        assert days_of(answer, "Thyrotropin") == [on(day)]
