"""How often a dose is taken, in the words of instructions: the patterns, and what each means."""

import re
from collections.abc import Callable

from crossgrain.fhir.read.schedule import DAILY, Schedule, every, times_a_day, times_a_week
from crossgrain.fhir.read.sig_words import plain_words

LONGEST = 300
"""Characters: an instruction that is longer holds more than a dose."""


_N = r"(\d+)"
TIMES: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], Schedule | None]], ...] = tuple(
    (re.compile(rf"(?:{pattern})(?!\w)"), meaning)
    for pattern, meaning in (
        (r"(?:every|each) other day|alternate days|every second day|qod|q2d", lambda _: every(2)),
        (rf"every {_N} days|q{_N}d", lambda m: _every_days(m[1] or m[2])),
        (rf"every {_N} (?:hours|hrs|h)|q{_N}h", lambda m: _every_hours(m[1] or m[2])),
        (rf"{_N} (?:times|x|days) (?:a|per|each|every) week|{_N} times weekly",
         lambda m: _a_week(m[1] or m[2])),
        (r"(?:once (?:a|per|every) week|once weekly|weekly|every week)", lambda _: every(7)),
        (r"(?:twice|2 times|2x) (?:daily|a day|per day|each day|every day)|bid|every 12 hours",
         lambda _: times_a_day(2)),
        (r"(?:3 times|3x) (?:daily|a day|per day|each day|every day)|tid",
         lambda _: times_a_day(3)),
        (r"(?:(?:once|one time|1 time) )?(?:daily|a day|per day|each day|every day|/day)|qd|od",
         lambda _: DAILY),
        (r"(?:every|each|in the|q) ?(?:morning|am|evening|pm|night)|qam|qpm|nightly|"
         r"at (?:bedtime|night)|every 24 hours|qhs|hs", lambda _: DAILY),
    )
)  # fmt: skip


def read_frequency(words: str) -> Schedule | None:
    """A frequency that stands alone, such as "once daily", read whole or not at all.

    >>> read_frequency("Twice daily").per_day
    Fraction(2, 1)
    """
    text = plain_words(words[:LONGEST])
    for pattern, meaning in TIMES:
        if found := pattern.fullmatch(text):
            return meaning(found)
    return None


def _every_days(count: str) -> Schedule | None:
    return every(int(count)) if 0 < int(count) <= 7 else None


def _every_hours(count: str) -> Schedule | None:
    hours = int(count)
    return times_a_day(24 // hours) if 0 < hours <= 24 and 24 % hours == 0 else None


def _a_week(count: str) -> Schedule | None:
    return times_a_week(int(count)) if 0 < int(count) <= 7 else None
