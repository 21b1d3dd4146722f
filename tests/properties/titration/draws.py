"""Claims about what is measured, and about how long the tablets last."""

from collections.abc import Iterator
from itertools import pairwise

from tests.properties.titration.claims import Claim, Look, fragile, in_range, leaving, part
from tests.properties.titration.figures import (
    EXACT,
    MOST_BETWEEN_DRAWS,
    MOST_BETWEEN_DRAWS_PREGNANT,
    READ_BEFORE_A_STEP,
    RECENT_DAYS,
    RESERVE_DAYS,
    SETTLED_DAYS,
    WEEK,
    WEEK_FOUR,
)
from tests.properties.titration.reading import TSH, Answer, t3


def _apart(answer: Answer) -> int:
    return MOST_BETWEEN_DRAWS_PREGNANT if answer.case.pregnant else MOST_BETWEEN_DRAWS


def _until_the_decision(answer: Answer) -> list[int]:
    """Days of TSH from the baseline on, which may be a recent result of the record."""
    days = answer.series.drawn()
    return days if 0 in days else [0, *days]


def draws_are_at_most_eight_weeks_apart_and_four_in_pregnancy(answer: Answer) -> Iterator[Look]:
    """From day one to the draw that decides."""
    for one, after in pairwise(_until_the_decision(answer)):
        yield after - one <= _apart(answer), f"{after - one} days between draws"


def the_draw_that_decides_is_read_before_the_decision(answer: Answer) -> Iterator[Look]:
    """And not long before it."""
    shortest, longest = READ_BEFORE_A_STEP
    before = answer.decision - answer.series.drawn()[-1]
    yield shortest <= before <= longest, f"drawn {before} days before the decision"


def a_draw_on_the_way_is_read_before_a_step_where_one_is_in_reach(
    answer: Answer,
) -> Iterator[Look]:
    """Three to seven days before it; alone only where no step would keep draws close enough."""
    days, steps = _until_the_decision(answer), answer.series.steps
    shortest, longest = READ_BEFORE_A_STEP
    fixed = range(WEEK_FOUR[0], WEEK_FOUR[1] + 1) if answer.case.prior == "stop" else ()
    reads = {step - lead for step in steps for lead in range(shortest, longest + 1)}
    for before, day, after in zip(days, days[1:], days[2:], strict=False):
        close = range(
            max(before + 1, after - _apart(answer)), min(after, before + _apart(answer) + 1)
        )
        missed = reads & set(close)
        placed = day in reads or day in fixed or not missed
        yield placed, f"drawn on {day}, could be on {sorted(missed)}"


def a_medicine_that_ends_on_day_one_is_followed_by_a_draw_in_week_four(
    answer: Answer,
) -> Iterator[Look]:
    """It runs lowest then."""
    gone = leaving(answer.case)
    stopped = answer.case.prior == "stop" and not part(answer.series.daily(0), gone)
    if gone and stopped and answer.decision > WEEK_FOUR[1] + READ_BEFORE_A_STEP[1]:
        days = answer.series.drawn()
        first, last = WEEK_FOUR
        yield any(first <= day <= last for day in days), f"drawn on {days}"


def draws_stay_close_in_a_branch_until_two_in_a_row_are_in_range(
    answer: Answer,
) -> Iterator[Look]:
    """In range the checkpoint's own draw is the first of the two."""
    decided = answer.series.drawn()[-1]
    for branch in answer.branches:
        days = [decided, *branch.course.drawn()]
        closely = 1 if branch is in_range(answer) else 2
        yield len(days) > closely, f"{branch.title}: {len(days) - 1} draws"
        for one, after in pairwise(days[: closely + 1]):
            yield after - one <= _apart(answer), f"{branch.title}: {after - one} days"


def in_pregnancy_every_branch_draws_every_four_weeks(answer: Answer) -> Iterator[Look]:
    """For as long as it is planned."""
    if answer.case.pregnant:
        for branch in answer.branches:
            days = branch.course.drawn()
            for one, after in pairwise([answer.series.drawn()[-1], *days]):
                yield after - one <= MOST_BETWEEN_DRAWS_PREGNANT, f"{branch.title}: {after - one}"


def tablets_reach_two_weeks_past_the_decision(answer: Answer) -> Iterator[Look]:
    """Of every medicine that is ordered up to it."""
    for supply in answer.series.supplies:
        if supply.last == answer.decision - 1:
            lasts = supply.first + supply.days
            yield lasts >= answer.decision + RESERVE_DAYS, f"{supply.medicine} to {lasts}"


def tablets_are_enough_for_their_days_and_no_more(answer: Answer) -> Iterator[Look]:
    """Half a tablet is a whole one cut."""
    courses = (answer.series, *(branch.course for branch in answer.branches))
    for supply in (one for course in courses for one in course.supplies):
        over = supply.tablets - supply.needed
        yield -EXACT <= over < 1, f"{supply.medicine}: {supply.tablets} for {supply.needed}"
        yield supply.days >= supply.last - supply.first + 1, f"{supply.medicine}: too short"


def a_draw_on_the_way_says_at_which_values_it_holds_and_that_it_raises_nothing(
    answer: Answer,
) -> Iterator[Look]:
    """In the note of the request, for this patient's own limits."""
    for draw in answer.series.draws:
        if draw.code == TSH and draw.day not in (0, answer.series.drawn()[-1]):
            yield "No result of it raises a dose" in draw.notes, f"day {draw.day}: {draw.notes}"
            value = "free t4" if "central-hypothyroidism" in answer.case.conditions else "tsh "
            says = f"{value}" in draw.notes.casefold() and "mIU/L" in draw.notes
            yield says or value == "free t4", f"day {draw.day}: {draw.notes}"


def _measured(answer: Answer, *names: str) -> list[int]:
    """The days on which something is measured before the decision, by any of its names."""
    return sorted(
        draw.day
        for draw in answer.series.draws
        if any(name in draw.name.casefold() for name in names)
    )


def recent_results_are_not_ordered_again_unless_today_s_dose_had_not_settled(
    answer: Answer,
) -> Iterator[Look]:
    """TSH and free T4; what the record does not hold is ordered before the first changed dose."""
    case = answer.case
    settled = case.held_days - case.tsh_days >= SETTLED_DAYS
    for code, value in ((TSH, case.tsh), ("3024-7", case.free_t4)):
        ordered = 0 in answer.series.drawn(code)
        if value is None or not settled:
            yield ordered, f"{code} is not ordered: {value}, {case.tsh_days} days ago"
        elif case.tsh_days <= RECENT_DAYS:
            yield not ordered, f"{code} of {case.tsh_days} days ago is ordered again"


def what_a_finding_demands_is_measured_on_dates(answer: Answer) -> Iterator[Look]:
    """INR, an electrocardiogram, glucose."""
    demands = (
        ("warfarin", ("inr", "prothrombin")),
        ("atrial-fibrillation", ("ecg", "ekg", "electrocardiogra")),
        ("antidiabetics", ("glucose",)),
    )
    for code, names in demands:
        if code in answer.findings:
            yield bool(_measured(answer, *names)), f"{code}: none of {names}"


def the_pulse_is_taken_at_each_rise_of_t3_in_a_fragile_heart(answer: Answer) -> Iterator[Look]:
    """Heart disease, or 65 years and more."""
    if not fragile(answer.case):
        return
    before, days = t3(answer.before), _measured(answer, "heart rate", "pulse")
    for step in answer.series.steps:
        now = t3(answer.series.daily(step))
        if now > before + EXACT and step < answer.decision:
            near = [day for day in days if abs(day - step) <= WEEK]
            yield bool(near), f"T3 rises on day {step}, pulse on {days}"
        before = now


CLAIMS: tuple[Claim, ...] = (
    draws_are_at_most_eight_weeks_apart_and_four_in_pregnancy,
    the_draw_that_decides_is_read_before_the_decision,
    a_draw_on_the_way_is_read_before_a_step_where_one_is_in_reach,
    a_medicine_that_ends_on_day_one_is_followed_by_a_draw_in_week_four,
    draws_stay_close_in_a_branch_until_two_in_a_row_are_in_range,
    in_pregnancy_every_branch_draws_every_four_weeks,
    tablets_reach_two_weeks_past_the_decision,
    tablets_are_enough_for_their_days_and_no_more,
    a_draw_on_the_way_says_at_which_values_it_holds_and_that_it_raises_nothing,
    recent_results_are_not_ordered_again_unless_today_s_dose_had_not_settled,
    what_a_finding_demands_is_measured_on_dates,
    the_pulse_is_taken_at_each_rise_of_t3_in_a_fragile_heart,
)
