"""The sheet of a visit: what was done, what is now, what comes next, each once and dated."""

import json
import re
from datetime import date
from math import exp

import pytest
from tests.conformance.patients import CATALOGUE
from tests.unit.sheet.pages import BRITISH, Node, parsed
from tests.unit.sheet.visits import VISITS, WITH_PLAN, record, visit, visit_sheet

from crossgrain.sheet.charted import charted
from crossgrain.sheet.course import past_of
from crossgrain.sheet.locale import locale
from crossgrain.writing.next_step_words import said

RUNNING = [name for name in WITH_PLAN if name not in {"titration", "mixture"}]


def course(name: str) -> Node:
    (section,) = parsed(visit_sheet(name)).all("section", "course")
    return section


@pytest.mark.parametrize("name", VISITS)
def test_every_visit_says_its_act_where_the_patient_stands_and_why(name: str) -> None:
    page = parsed(visit_sheet(name))
    assert page.all("h1")[0].text.startswith("Next step: ")
    for sentence in said(visit(name)):
        assert " ".join(sentence.split()) in course(name).text


def test_what_was_taken_otherwise_than_planned_stands_out_and_nothing_else_does() -> None:
    rows = course("two-weeks-missed").all("table", "done")[0].all("tr")[1:]
    differing = [row.text for row in rows if row.all("b")]
    assert differing
    assert all(row.endswith("no thyroid hormone") for row in differing)
    on_time = course("on-time").all("table", "done")[0].all("tr")[1:]
    assert all(row.text.endswith("as planned") for row in on_time)


@pytest.mark.parametrize("name", WITH_PLAN)
def test_what_goes_on_by_the_orders_that_stand_is_not_headed_as_an_order(name: str) -> None:
    page = parsed(visit_sheet(name))
    ordered = visit(name).proposal.plan.prescriptions  # type: ignore[union-attr]
    (glance,) = page.all("dl", "glance")
    heading = "Order today" if ordered else "Nothing to order: today goes on"
    assert glance.all("dt")[0].text == heading


def test_the_patient_is_told_of_a_move_only_where_there_is_one() -> None:
    moved, adjusted = (
        parsed(visit_sheet(name)).by_id("patient").text for name in ("on-time", "mixture")
    )
    assert "This plan moves you to desiccated thyroid." in moved
    assert "This plan is about your dose. It moves you to no other medicine." in adjusted
    assert "moves you to levothyroxine" not in adjusted
    assert re.search(r"desiccated thyroid, [\d.]+ mg a day: go on as you take it now", adjusted)


def test_the_results_since_day_one_stand_with_their_dates_and_the_baseline_does_not() -> None:
    shown = course("lab-on-biotin").text
    assert "23 June 2025: TSH 0.2 mIU/L" in shown
    assert "TSH 2.1" not in shown  # drawn before day one


def test_what_comes_next_is_dated_and_in_order() -> None:
    page = parsed(visit_sheet("on-time"))
    (glance,) = page.all("dl", "glance")
    text = glance.text
    change = text.index("28 April 2025: the dose changes:")
    draw, decision = text.index("blood is drawn"), text.index("the labs decide what follows")
    assert change < decision
    assert draw < decision
    for what in ("the dose changes:", "blood is drawn", "the labs decide what follows"):
        assert page.text.count(what) == 1, what


def test_orders_that_stand_and_orders_that_end_are_those_of_the_answer() -> None:
    for name in WITH_PLAN:
        shown, replaced = course(name).text, visit(name).replaced
        for order in (*replaced.kept, *replaced.ended):
            assert order.reference in shown, name


@pytest.mark.parametrize("name", RUNNING)
def test_the_chart_goes_from_day_one_over_what_was_taken_to_the_plan(name: str) -> None:
    step = visit(name)
    plan, standing = step.proposal.plan, step.standing
    assert plan
    assert standing
    assert standing.facts
    chart = charted(step.proposal, plan, CATALOGUE, past_of(step, plan, CATALOGUE))
    assert chart.start == standing.facts.day_one
    assert chart.day(chart.today) == step.proposal.request.as_of
    assert chart.own.days == chart.today + plan.steps[-1].last_day + 2
    alone = charted(step.proposal, plan, CATALOGUE)
    joined = chart.own.coverage.value[chart.today :]
    assert joined == pytest.approx(alone.own.coverage.value, abs=1e-9)
    assert chart.own.coverage.value[0] == pytest.approx(1)
    assert all(
        old <= whole + 1e-9
        for old, whole in zip(chart.own.of_old, chart.own.coverage.value, strict=True)
    )


def test_two_weeks_without_hormone_show_in_the_chart_as_the_half_life_has_it() -> None:
    """T4 falls by half in a week (levothyroxine label: half-life 6 to 7 days, euthyroid).

    Only the fall of the whole is looked at: through fourteen empty days coverage must lie between
    what is left of a pool of T4 alone at the label's half-lives, and no more than all of it.
    """
    step = visit("two-weeks-missed")
    plan = step.proposal.plan
    assert plan
    chart = charted(step.proposal, plan, CATALOGUE, past_of(step, plan, CATALOGUE))
    covered = chart.own.coverage.value[: chart.today + 1]
    before, lowest = covered[covered.index(min(covered)) - 14], min(covered)
    assert before * exp(-14 * 0.6931 / 5) * 0.5 < lowest < before * exp(-14 * 0.6931 / 8)


def test_results_are_marked_on_the_chart_on_the_day_that_blood_was_drawn() -> None:
    step = visit("lab-on-biotin")
    plan = step.proposal.plan
    assert plan
    chart = charted(step.proposal, plan, CATALOGUE, past_of(step, plan, CATALOGUE))
    assert [(chart.day(d.day), d.words) for d in chart.drawn] == [(date(2025, 6, 23), "TSH 0.2")]
    drawing = parsed(visit_sheet("lab-on-biotin")).all("svg", "wide")[0]
    assert len(drawing.all("circle", "result")) == 1
    assert "TSH 0.2" in drawing.text


def test_a_titration_shows_no_days_before_today() -> None:
    page = visit_sheet("titration")
    data = json.loads(re.search(rb'id="hover-data">(.*?)</script>', page)[1])  # type: ignore[index]
    assert data["days"][0] == locale(BRITISH).dated(visit("titration").proposal.request.start)
    assert not parsed(page).all("table", "done")


@pytest.mark.parametrize("name", WITH_PLAN)
def test_the_patients_part_begins_today(name: str) -> None:
    start = visit(name).proposal.request.start
    first = parsed(visit_sheet(name)).by_id("patient").all("p", "step-dates")[0]
    assert locale(BRITISH).day(start) in first.text


def test_a_stop_keeps_its_words_and_has_no_doses_to_take() -> None:
    page = parsed(visit_sheet("infarction-in-mid-climb"))
    assert "today's dose goes on" in page.all("h1")[0].text
    assert not [node for node in page.walk() if node.attributes.get("id") == "patient"]


def test_the_record_of_a_visit_is_whose_sheet_it_is() -> None:
    (patient,) = [
        entry["resource"]
        for entry in record("on-time")["entry"]
        if entry["resource"]["resourceType"] == "Patient"
    ]
    assert patient["name"][0]["family"] in parsed(visit_sheet("on-time")).all("header")[0].text
