"""Claims about LT3 by the day, ratios, pregnancy, and the guards on the plan."""

from collections.abc import Iterator

from tests.properties.titration.claims import Claim, Look, wanted
from tests.properties.titration.figures import (
    CHARTS,
    EXACT,
)
from tests.properties.titration.reading import Answer, Course, worth


def _courses(answer: Answer) -> Iterator[tuple[str, Course]]:
    yield "series", answer.series
    for branch in answer.branches:
        yield branch.title, branch.course


def _at(course: Course, day: int) -> list[float]:
    """Single doses of LT3 on a day, µg."""
    return [dose for (medicine, _), dose in course.single(day).items() if medicine == "lt3"]


def _days(answer: Answer) -> Iterator[tuple[str, int, list[float], list[float]]]:
    """Every change of LT3: where, on which day, the single doses before and after."""
    for name, course in _courses(answer):
        begins = course is answer.series
        held = _at(answer.series, answer.decision - 1)
        today = [
            t.amount / t.times
            for t in answer.case.taken
            if t.medicine == "lt3"
            for _ in range(t.times)
        ]
        before = today if begins else held
        for day in course.steps:
            now = _at(course, day)
            yield name, day, before, now
            before = now


def lt3_never_goes_back_to_once_a_day_on_the_way_up(answer: Answer) -> Iterator[Look]:
    """A larger dose is never put together in one."""
    for name, day, before, now in _days(answer):
        if sum(now) > sum(before) + EXACT and len(before) > 1:
            yield len(now) > 1, f"{name}, day {day}: {before} → {now}"


def pregnant_to_lt4_is_never_less_than_the_most_generous_chart(answer: Answer) -> Iterator[Look]:
    """At once, or in an overlap that together is worth as much."""
    case = answer.case
    if case.pregnant and wanted(case) == ("lt4",):
        generous = max(worth(chart, answer.before) for chart in CHARTS)
        yield answer.hold["lt4"] >= generous - EXACT, f"{answer.hold} for {generous:.0f}"
        for day in answer.series.steps:
            now = answer.series.daily(day)
            for chart in CHARTS:
                short = worth(chart, now) < worth(chart, answer.before) - EXACT
                yield not short, f"day {day}, {chart}: {now}"


CLAIMS: tuple[Claim, ...] = (
    lt3_never_goes_back_to_once_a_day_on_the_way_up,
    pregnant_to_lt4_is_never_less_than_the_most_generous_chart,
)
