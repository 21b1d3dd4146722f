"""The moments of the day that a timing names, and which of them may be one and the same.

Several events tie a dose to all of them together (FHIR R4, Timing.repeat.when): "in the morning"
beside "before breakfast" is one dose a day as easily as two. So events of one part of the day are
one moment or several, and so are evening and bedtime; which, only a frequency, a code or words
beside them can tell. Before meals, and at once, say nothing of how many there are.
"""

import re
from collections.abc import Sequence

import msgspec

from crossgrain.reading.elements import Asked, ReadCategory, Repeat, Unreadable

_EVENTS = {
    "morning": {
        "MORN": "in the morning", "MORN.early": "early in the morning",
        "MORN.late": "late in the morning", "WAKE": "after waking", "ACM": "before breakfast",
        "CM": "at breakfast", "PCM": "after breakfast",
    },
    "midday": {
        "NOON": "at noon", "AFT": "in the afternoon", "AFT.early": "early in the afternoon",
        "AFT.late": "late in the afternoon", "ACD": "before lunch", "CD": "at lunch",
        "PCD": "after lunch",
    },
    "evening": {
        "EVE": "in the evening", "EVE.early": "early in the evening",
        "EVE.late": "late in the evening", "ACV": "before dinner", "CV": "at dinner",
        "PCV": "after dinner",
    },
    "night": {"NIGHT": "in the night", "HS": "at bedtime", "PHS": "after falling asleep"},
    "": {"AC": "before meals", "PC": "after meals", "C": "at meals", "IMD": "at once"},
}  # fmt: skip
"""FHIR value set event-timing, by the part of the day; at no one part of it, the last."""
_PART_OF = {event: part for part, events in _EVENTS.items() for event in events}
_IN_WORDS = {event: words for events in _EVENTS.values() for event, words in events.items()}
_NEIGHBOURS = {"evening", "night"}
"""Bedtime is in the evening or after it."""
_ANY = _EVENTS.keys() - {""}
_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d(?::[0-5]\d(?:\.\d+)?)?")
_HOURS = (
    (4, _NEIGHBOURS),
    (11, {"morning"}),
    (12, {"morning", "midday"}),
    (17, {"midday"}),
    (18, {"midday", "evening"}),
    (24, _NEIGHBOURS),
)
"""Up to which hour of the clock an event may be meant by it; our judgement, wide on purpose."""


class Moments(msgspec.Struct, frozen=True):
    """How many doses of a day the moments that are named may stand for.

    Attributes
    ----------
    named : the events and clock times, as they stand
    counts : every number that a frequency beside them may confirm; empty where they tell none
    sure : the number that they tell by themselves, or none
    """

    named: tuple[str, ...]
    counts: frozenset[int] = frozenset()
    sure: int | None = None

    @property
    def listed(self) -> str:
        """The moments in words, as a question names them."""
        return " and ".join(f"“{_IN_WORDS.get(moment, moment)}”" for moment in self.named)


def moments_of(repeat: Repeat, path: str) -> Moments | None:
    """The moments that a repeat names; ``None`` where it names none.

    Two doses a day are never taken for what may be one:

    >>> moments_of(Repeat(when=("MORN", "ACM")), "").sure is None
    True
    >>> moments_of(Repeat(when=("MORN", "HS")), "").sure
    2

    Raises
    ------
    Asked
        where events and clock times differ in number.
    Unreadable
        where one is no event and no time of the clock.
    """
    for place, event in enumerate(repeat.when):
        if event not in _PART_OF:
            raise Unreadable(ReadCategory.VALUE, f"{path}.when[{place}]", "this is no event code")
    for place, clock in enumerate(repeat.time_of_day):
        if not _CLOCK.fullmatch(clock):
            raise Unreadable(ReadCategory.VALUE, f"{path}.timeOfDay[{place}]", "this is no time")
    if not repeat.time_of_day:
        return _of_events(repeat.when) if repeat.when else None
    times = len(set(map(_minute, repeat.time_of_day)))
    counts = _of_events(repeat.when).counts
    if counts and times not in counts:
        raise Asked(path, "The times of day and the events differ. How many doses a day?")
    if not _hold_one_another(repeat.when, repeat.time_of_day):
        raise Asked(
            path, "The times of day and the events lie apart. How many doses are taken a day?"
        )
    return Moments((*repeat.when, *repeat.time_of_day), frozenset({times}), times)


def _hold_one_another(events: Sequence[str], clocks: Sequence[str]) -> bool:
    """Whether each event may be meant by a clock time beside it: FHIR allows one or the other."""
    at = set().union(*map(_parts_at, clocks))
    return all(_parts_at(event) & at for event in events)


def _minute(clock: str) -> str:
    """The hour and the minute: seconds make no second dose."""
    return clock[:5]


def _of_events(events: Sequence[str]) -> Moments:
    """A part of the day is one dose however often it is named; evening and night are one or two."""
    named = tuple(dict.fromkeys(events))
    parts = {_PART_OF[event] for event in named}
    if "" in parts or not parts:
        return Moments(named)
    fewest = len(parts) - (parts >= _NEIGHBOURS)
    counts = frozenset(range(fewest, len(parts) + 1))
    return Moments(named, counts, fewest if fewest == len(named) else None)


def are_apart(named: Sequence[frozenset[str]]) -> bool:
    """Whether each names moments of its own, none of which may be one of another's.

    >>> are_apart([frozenset({"MORN"}), frozenset({"HS"})])
    True
    >>> are_apart([frozenset({"MORN"}), frozenset({"ACM"})])
    False
    >>> are_apart([frozenset({"MORN"}), frozenset({"08:00:00"})])
    False
    """
    by_event = any(moment in _PART_OF for moments in named for moment in moments)
    held = [
        {
            span
            for moment in moments
            for span in (_parts_at(moment) if by_event else {_minute(moment)})
        }
        for moments in named
    ]
    return all(held) and sum(map(len, held)) == len(set().union(*held))


_ONE_WORDING = (
    ("MORN", "MORN.early", "WAKE", "ACM"),
    ("NOON", "ACD"),
    ("EVE", "EVE.early", "ACV"),
    ("HS", "NIGHT"),
)
"""Events by which one and the same moment is written, under the first of them; our judgement.
What is after or with a meal, late, or after falling asleep may be a moment of its own."""
_WRITTEN_AS = {event: events[0] for events in _ONE_WORDING for event in events}
_OF_THE_MORNING = range(4, 10)
"""Hours of the clock that "in the morning" says in another wording; our judgement."""


def in_one_wording(named: frozenset[str]) -> frozenset[str]:
    """The same moments, each under one of the wordings that it is written in.

    Two times of the clock in one morning are two moments, and stay as they stand.

    >>> in_one_wording(frozenset({"ACM"})) == in_one_wording(frozenset({"06:30:00"}))
    True
    >>> in_one_wording(frozenset({"EVE"})) == in_one_wording(frozenset({"HS"}))
    False
    """
    clocks = {_minute(moment) for moment in named if moment not in _PART_OF}
    written = frozenset(map(_written_as, named))
    return named if len(clocks) > len(written) else written


def _written_as(moment: str) -> str:
    if moment in _PART_OF:
        return _WRITTEN_AS.get(moment, moment)
    morning = _CLOCK.fullmatch(moment) and int(moment[:2]) in _OF_THE_MORNING
    return "MORN" if morning else _minute(moment)


def _parts_at(moment: str) -> set[str]:
    """The parts of the day in which an event, or a time of the clock beside events, may be."""
    if moment in _PART_OF:
        part = _PART_OF[moment]
        return _NEIGHBOURS if part in _NEIGHBOURS else {part} if part else _ANY
    hour = int(moment[:2]) if _CLOCK.fullmatch(moment) else 0
    return next(parts for until, parts in _HOURS if hour < until)
