"""Claims about LT3 by the day, ratios, pregnancy, and the guards on the plan."""

import json
import re
from collections.abc import Iterator

from tests.properties.titration.claims import Claim, Look, in_range, wanted
from tests.properties.titration.figures import (
    CHARTS,
    EXACT,
    LT3_ONCE_UG,
    LT3_SINGLE_UG,
    LT3_STEP_UG,
    MOST_COVERED,
    MOST_COVERED_PREGNANT,
    MOST_UG_PER_KG,
    MOST_UG_PER_KG_PREGNANT,
    RATIO,
    SETTLED,
    TABLETS_OFF,
)
from tests.properties.titration.reading import Answer, Course, grains, worth


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


def lt3_above_5_micrograms_is_taken_twice_a_day(answer: Answer) -> Iterator[Look]:
    """An unchanged dose of today may stay as it is."""
    for name, day, before, now in _days(answer):
        if sum(now) > LT3_ONCE_UG + EXACT and now != before:
            yield len(now) >= 2, f"{name}, day {day}: {now}"


def a_single_dose_of_lt3_rises_by_5_micrograms_at_the_most(answer: Answer) -> Iterator[Look]:
    """At one step."""
    for name, day, before, now in _days(answer):
        rise = max(now, default=0.0) - max(before, default=0.0)
        if sum(now) > sum(before) + EXACT:
            yield rise <= LT3_STEP_UG + EXACT, f"{name}, day {day}: {before} → {now}"


def lt3_never_goes_back_to_once_a_day_on_the_way_up(answer: Answer) -> Iterator[Look]:
    """A larger dose is never put together in one."""
    for name, day, before, now in _days(answer):
        if sum(now) > sum(before) + EXACT and len(before) > 1:
            yield len(now) > 1, f"{name}, day {day}: {before} → {now}"


def more_than_25_micrograms_of_lt3_at_once_waits_for_a_named_act(answer: Answer) -> Iterator[Look]:
    """In the series or in a branch, but for a dose of today's that falls."""
    today = max(
        (one.amount / one.times for one in answer.case.taken if one.medicine == "lt3"), default=0.0
    )
    changed = (max(now, default=0.0) for _, _, before, now in _days(answer) if now != before)
    most = max((single for single in changed if single >= today), default=0.0)
    if most > LT3_SINGLE_UG + EXACT:
        yield "lt3-single-dose" in answer.held, f"{most:g} micrograms at once"


def a_ratio_that_was_asked_for_is_kept(answer: Answer) -> Iterator[Look]:
    """Never more T3 than 13:1 where labs are in range; less than 20:1 is said, with its number."""
    stays = in_range(answer)
    if wanted(answer.case) != ("lt4", "lt3") or not stays:
        return
    kept = stays.course.settled
    if kept.get("lt3"):
        ratio = kept.get("lt4", 0.0) / kept["lt3"]
        low, high = RATIO
        yield ratio >= low * (1 - TABLETS_OFF), f"{kept}: {ratio:.1f}:1"
        said = f"{round(ratio, 1):g}:1" in json.dumps(answer.checkpoint)
        yield ratio <= high * (1 + TABLETS_OFF) or said, f"{kept}: {ratio:.1f}:1 is not said"


_RATIO = re.compile(r"[0-9]:1\b")


def a_ratio_is_spoken_of_only_where_one_is_meant(answer: Answer) -> Iterator[Look]:
    """Beside desiccated thyroid, or of one medicine alone, it means nothing."""
    if answer.case.target != "levothyroxine-liothyronine":
        said = _RATIO.search(json.dumps(answer.checkpoint))
        yield said is None, f"{said and said.string[said.start() - 60 : said.end() + 40]}"


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


def in_pregnancy_desiccated_thyroid_is_not_ended_ahead_of_its_lt4(
    answer: Answer,
) -> Iterator[Look]:
    """Under an overlap it goes on beside the first weeks of LT4."""
    case = answer.case
    had = grains(answer.before)
    if case.pregnant and had and wanted(case) == ("lt4",) and case.prior == "overlap":
        yield grains(answer.series.daily(0)) > 0, f"{answer.series.daily(0)}"


def more_than_the_weight_allows_waits_for_a_named_act(answer: Answer) -> Iterator[Look]:
    """2 µg/kg on every chart for a dose that is kept; in pregnancy 2.4 on any, by a specialist."""
    case = answer.case
    if not case.weight:
        return
    per_kg = [worth(chart, answer.hold) / case.weight for chart in CHARTS]
    says = f"{min(per_kg):.1f} to {max(per_kg):.1f} µg/kg"
    if case.pregnant and max(per_kg) > MOST_UG_PER_KG_PREGNANT + EXACT:
        yield "plan-high-in-pregnancy" in answer.held, says
    if not case.pregnant and min(per_kg) > MOST_UG_PER_KG + EXACT:
        yield "plan-high-by-weight" in answer.held, says


def more_than_a_quarter_above_today_waits_for_a_named_act(answer: Answer) -> Iterator[Look]:
    """On every chart, once the dose has settled; in pregnancy more than half above it on any."""
    parts = [worth(chart, answer.hold) / worth(chart, answer.before) for chart in CHARTS]
    says = f"{min(parts):.2f} to {max(parts):.2f} of today's"
    if answer.case.pregnant and max(parts) * SETTLED > MOST_COVERED_PREGNANT:
        yield "plan-high-in-pregnancy" in answer.held, says
    if not answer.case.pregnant and min(parts) * SETTLED > MOST_COVERED:
        yield "coverage-high" in answer.held, says


CLAIMS: tuple[Claim, ...] = (
    lt3_above_5_micrograms_is_taken_twice_a_day,
    a_single_dose_of_lt3_rises_by_5_micrograms_at_the_most,
    lt3_never_goes_back_to_once_a_day_on_the_way_up,
    more_than_25_micrograms_of_lt3_at_once_waits_for_a_named_act,
    a_ratio_that_was_asked_for_is_kept,
    a_ratio_is_spoken_of_only_where_one_is_meant,
    pregnant_to_lt4_is_never_less_than_the_most_generous_chart,
    in_pregnancy_desiccated_thyroid_is_not_ended_ahead_of_its_lt4,
    more_than_the_weight_allows_waits_for_a_named_act,
    more_than_a_quarter_above_today_waits_for_a_named_act,
)
