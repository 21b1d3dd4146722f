"""The old orders end by dated Tasks, in the series or in a branch, never twice."""

from dataclasses import replace

import pytest
from tests.unit.writing.answers import intended, only, product, resources, written
from tests.unit.writing.plans import (
    CODES,
    LT4,
    entry,
    levothyroxine_to_desiccated,
    old_order_outlasts_the_series,
    proposal,
    record,
    stepping_back_to_nothing,
    stopped_at_once,
    taken,
    to_combination,
)

from crossgrain.dosing.steps import Stage, Step, courses
from crossgrain.writing.letterhead import letterhead_for
from crossgrain.writing.orders import series_tasks


def test_the_old_order_is_aborted_on_the_day_its_taper_begins():
    (task,) = intended(written(levothyroxine_to_desiccated()), "Task", "proposal")
    assert task["code"]["coding"][0]["code"] == "abort"
    assert task["focus"] == {"reference": "MedicationRequest/old-1"}
    assert (task["intent"], task["status"]) == ("proposal", "draft")
    assert task["restriction"]["period"] == {"start": "2024-05-15", "end": "2024-05-15"}
    assert "From 15 May 2024 the doses of this plan replace it." in task["description"]


def test_prior_therapy_stop_aborts_it_on_day_one():
    task = only(written(stopped_at_once()), "Task")
    assert task["restriction"]["period"]["start"] == "2024-05-01"
    assert "No levothyroxine sodium is taken from 1 May 2024 on." in task["description"]


def test_every_order_of_the_same_medicine_ends():
    tasks = resources(written(to_combination()), "Task")
    assert [task["focus"]["reference"] for task in tasks] == [
        "MedicationRequest/old-1",
        "MedicationRequest/old-2",
    ]
    assert {task["restriction"]["period"]["start"] for task in tasks} == {"2024-05-15"}


def test_an_order_that_outlasts_the_series_ends_in_the_branches_that_end_it():
    bundle = written(old_order_outlasts_the_series())
    assert intended(bundle, "Task", "proposal") == []
    options = intended(bundle, "Task", "option")
    ends = [(t["restriction"]["period"]["start"], t["focus"]["reference"]) for t in options]
    # TSH high: at once, day 56. In range: 14 days on, day 70. Low: it goes on, so no Task.
    assert ends == [
        ("2024-06-26", "MedicationStatement/old-1"),
        ("2024-07-10", "MedicationStatement/old-1"),
    ]
    assert all(task["note"][0]["text"].startswith("Only if: TSH") for task in options)


def test_a_plan_that_returns_to_an_ended_order_is_refused():
    steps = (
        Step(Stage.CLIMB, 0, 6, (taken(LT4, 100),)),
        Step(Stage.CLIMB, 7, 13, ()),
        Step(Stage.HOLD, 14, 20, (taken(LT4, 100),)),
    )
    letter = letterhead_for(proposal(record(entry(LT4, 100))), "0.1.0", CODES)
    with pytest.raises(ValueError, match="already ended"):
        list(series_tasks(letter, steps, courses(steps)))


def left_out(bundle):
    """Medicine and day of every order of the series that an option ends."""
    by_urn = {e["fullUrl"]: e["resource"] for e in bundle["entry"]}
    tasks = intended(bundle, "Task", "option")
    return [
        (product(by_urn[t["focus"]["reference"]]), t["restriction"]["period"]["start"])
        for t in tasks
        if t["focus"]["reference"] in by_urn
    ]


def test_what_a_branch_leaves_out_is_ended_by_a_task_on_its_order():
    # Day 56 from 1 May 2024. TSH high and in range drop the LT4; low drops both.
    assert left_out(written(stepping_back_to_nothing())) == [
        ("levothyroxine sodium 25 microgram tablet", "2024-06-26"),
        ("levothyroxine sodium 25 microgram tablet", "2024-06-26"),
        ("liothyronine sodium 5 microgram tablet", "2024-06-26"),
        ("levothyroxine sodium 25 microgram tablet", "2024-06-26"),
    ]


def test_a_branch_without_a_day_is_refused():
    made = stepping_back_to_nothing()
    branches = (replace(made.plan.checkpoint.branches[0], steps=()),)
    checkpoint = replace(made.plan.checkpoint, branches=branches)
    with pytest.raises(ValueError, match="tsh-high has no step"):
        written(replace(made, plan=replace(made.plan, checkpoint=checkpoint)))
