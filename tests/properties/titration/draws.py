"""Claims about what is measured, and about how long the tablets last."""

from collections.abc import Iterator

from tests.properties.titration.claims import Claim, Look
from tests.properties.titration.figures import (
    EXACT,
    READ_BEFORE_A_STEP,
    RESERVE_DAYS,
)
from tests.properties.titration.reading import Answer


def the_draw_that_decides_is_read_before_the_decision(answer: Answer) -> Iterator[Look]:
    """And not long before it."""
    shortest, longest = READ_BEFORE_A_STEP
    before = answer.decision - answer.series.drawn()[-1]
    yield shortest <= before <= longest, f"drawn {before} days before the decision"


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


CLAIMS: tuple[Claim, ...] = (
    the_draw_that_decides_is_read_before_the_decision,
    tablets_reach_two_weeks_past_the_decision,
    tablets_are_enough_for_their_days_and_no_more,
)
