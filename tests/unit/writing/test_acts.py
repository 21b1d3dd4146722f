"""An act that a finding wants done on a day of the plan is one dated Task, to the letter."""

from dataclasses import replace

from tests.unit.writing.answers import resources, written
from tests.unit.writing.plans import NOTE, levothyroxine_to_desiccated

from crossgrain.words.doses import CAUTION

ECG = replace(
    NOTE, code="ecg-due", action="Look for a fast rhythm.", instruction="", act="ECG", day=14
)


def acts(*findings):
    proposal = levothyroxine_to_desiccated(findings=findings)
    every = resources(written(proposal), "Task")
    return [task for task in every if task["description"].endswith(ECG.action)]


def test_an_act_is_a_task_of_its_own_that_says_what_when_and_why():
    """A worklist shows `code` and the restricted day alone: an unnamed Task would not be done."""
    (task,) = acts(NOTE, ECG)
    says = "15 May 2024: ECG. Look for a fast rhythm."
    assert (task["status"], task["intent"]) == ("draft", "proposal")
    assert task["code"] == {"text": "ECG"}
    assert task["description"] == says
    assert task["restriction"] == {"period": {"start": "2024-05-15", "end": "2024-05-15"}}
    assert task["for"] == {"reference": "Patient/demo-1"}
    assert "requester" not in task  # who ordered what is taken now does not ask for this
    assert [note["text"] for note in task["note"]] == [CAUTION]
    assert f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{says}</p><p>' in task["text"]["div"]


def test_an_act_due_on_the_very_first_day_is_written_too():
    (task,) = acts(replace(ECG, day=0))
    assert task["restriction"]["period"]["start"] == "2024-05-01"


def test_a_finding_without_an_act_or_without_its_day_makes_no_task():
    assert acts(replace(ECG, act="")) == []
    assert acts(replace(ECG, day=None)) == []


def test_two_acts_are_two_tasks_with_ids_of_their_own():
    """One id for both would leave one of them undone on every server."""
    one, other = acts(ECG, replace(ECG, code="pulse-due", act="Pulse"))
    assert one["id"] != other["id"]
