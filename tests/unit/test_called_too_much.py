"""What labs on the way call too much: which draws speak, and of which dose."""

from datetime import timedelta

import pytest
from tests.properties.test_standing import amounts, planned_on, told
from tests.unit.reading.records import Json
from tests.unit.visits import DAY_ONE, chart, diagnosis, proposed, stands, taking, tsh, ucum

from crossgrain.core.standing import Standing
from crossgrain.dosing.onward import Act
from crossgrain.dosing.plan import LabReading
from crossgrain.reading.series_mark import ActTaken

MADE = proposed()
TODAY, DRAWN = 50, 44
HELD = MADE.plan.steps[-1].first_day
"""The first day of the last dose of the plan."""


def too_much(*labs: Json, day: int = TODAY, beside: tuple[Json, ...] = ()) -> list[object]:
    found = stands(chart(MADE, day, *labs, *beside), day)
    assert isinstance(found, Standing), found
    return [amounts(each) for each in found.underway.too_much]


def dose(day: int) -> dict[str, object]:
    return dict(planned_on(MADE.plan, day)[0])


def test_a_suppressed_tsh_speaks_of_what_was_taken_the_day_before_the_draw() -> None:
    assert HELD == 42
    assert too_much(tsh("0.05", HELD)) == [dose(HELD - 1)]
    assert too_much(tsh("0.05", HELD + 1)) == [dose(HELD)]
    assert dose(HELD) != dose(HELD - 1)


@pytest.mark.parametrize("day", [HELD + 41, HELD + 42])
def test_a_tsh_below_the_limit_speaks_of_a_dose_that_was_held_for_six_weeks(day: int) -> None:
    assert too_much(tsh("0.3", day), day=day + 2) == ([dose(day)] if day == HELD + 42 else [])


@pytest.mark.parametrize("value", ["0.1", "0.39"])
def test_drawn_before_that_a_tsh_that_is_not_suppressed_calls_nothing_too_much(value: str) -> None:
    assert too_much(tsh(value, DRAWN)) == []


def test_two_draws_on_one_dose_call_it_so_once() -> None:
    assert too_much(tsh("0.05", DRAWN), tsh("0.02", DRAWN + 2)) == [dose(DRAWN)]


@pytest.mark.parametrize("day", [-3, 0])
def test_what_was_drawn_by_day_one_speaks_of_no_dose_of_the_plan(day: int) -> None:
    assert too_much(tsh("0.05", day)) == []


BIOTIN = taking("biotin 10 mg tablet", ucum(10, "mg"))


@pytest.mark.parametrize(
    "beside",
    [
        (BIOTIN,),
        (diagnosis("77386006", 20),),
        (diagnosis("82598004", -400),),
        (tsh("2", DRAWN),),
    ],
    ids=["on biotin", "pregnant", "central", "two that disagree"],
)
def test_what_decides_nothing_calls_nothing_too_much(beside: tuple[Json, ...]) -> None:
    assert too_much(tsh("0.05", DRAWN), beside=beside) == []


def test_a_result_that_is_not_final_calls_nothing_too_much() -> None:
    assert too_much(tsh("0.05", DRAWN, status="preliminary")) == []


def test_once_labs_have_decided_a_draw_may_speak_of_the_dose_before() -> None:
    """A branch of day 40: what was drawn earlier was on the way, what later was not."""
    act = ActTaken(DAY_ONE + timedelta(40), Act.BRANCH, "labs", LabReading.IN_RANGE)

    def found(day: int) -> int:
        resources = [told(r, {"acts": (act,)}) for r in chart(MADE, TODAY, tsh("0.05", day))]
        standing = stands(resources, TODAY)
        assert isinstance(standing, Standing), standing
        return len(standing.underway.too_much)

    assert [found(day) for day in (39, 40, 44)] == [1, 0, 0]
