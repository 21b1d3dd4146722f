"""Courses of all kinds, visit by visit, through a small EHR: each visit ends with an answer."""

import tomllib
from random import Random
from typing import Any

import pytest
from fixtures.visits.chart import Chart, begun

from crossgrain.operations.faults import RequestRefused
from crossgrain.writing.next_step import ACT_WORDS

from .calls import FIXTURES
from .test_next_step import guidance, of_type, part, said

PATIENTS = [
    patient
    for patient in tomllib.loads((FIXTURES / "scenario.toml").read_text("utf-8"))["patient"]
    if patient["outcome"] == "plan" and "target" in patient
]
VISITS_OF_EACH, COURSES = 5, 6
TSH = (0.03, 0.2, 1.5, 2.0, 5.5, 8.0, 14.0)


def a_course(chance: Random) -> Chart | None:
    """A plan of an invented patient, taken up; nothing where none is made for that direction."""
    patient = chance.choice(PATIENTS)
    options = {
        "prior-therapy": chance.choice(("overlap", "stop")),
        "pace": chance.choice(("standard", "brisk", "cautious")),
    }
    target = chance.choice((patient["target"], "levothyroxine", "liothyronine"))
    try:
        chart = begun(patient["file"], target, **options)
    except RequestRefused:
        return None
    return chart if chart.orders() else None


def happens(chart: Chart, day: int, chance: Random) -> None:
    """What a patient brings to a visit."""
    if chance.random() < 0.7:
        chart.result("tsh", day - chance.choice((1, 2, 5)), chance.choice(TSH))
        chart.result("free-t3", day - 1, chance.choice((4.5, 7.5)))
    if chance.random() < 0.3:
        palpitations, missed = chance.random() < 0.4, chance.choice((0, 1, 4, 9))
        chart.told(day, palpitations=palpitations, missed_days=missed)


@pytest.mark.parametrize("seed", range(COURSES))
def test_whatever_happens_a_visit_ends_with_one_answer_and_no_more_than_is_carried(
    seed: int,
) -> None:
    chance = Random(seed)
    chart = next(filter(None, (a_course(chance) for _ in range(20))))
    day = 0
    for _ in range(VISITS_OF_EACH):
        day += chance.choice((9, 14, 30, 45, 60))
        happens(chart, day, chance)
        answer = chart.next_step(day)
        assert said(answer)["act"][0] in set(ACT_WORDS)
        for plan in of_type(answer, "CarePlan"):
            assert_carried(chart.answers[0], plan)
        if "result" not in guidance(answer):
            break
        chart.take_up(answer)


def assert_carried(first: Any, plan: Any) -> None:
    """Day one's facts, the checkpoint among them, are those of the first answer."""
    (before,) = of_type(first, "CarePlan")
    for name in ("original", "day-one", "checkpoint", "target"):
        assert part(plan, name) == part(before, name), name
