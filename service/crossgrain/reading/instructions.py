"""The instructions of one medicine by date: which of them hold on which days.

Numbered instructions follow one another, as FHIR says, and the dates of each tell when. What is
numbered alike holds together. Instructions that would hold on one day and were not meant to, days
between two of them, and dates that are missing leave the dose open: they are asked about, and
never added up.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import inf

import msgspec

from crossgrain.reading.calendar import Calendar
from crossgrain.reading.currency import bounds_of
from crossgrain.reading.elements import Asked, Dosage
from crossgrain.reading.moments import are_apart
from crossgrain.reading.reading import Notes

Days = tuple[int | None, int | None]
"""First and last day, relative to as-of; ``None`` where it is not said."""
Numbered = tuple[str, Dosage]
"""A dosage and its FHIRPath."""
_DAYS_IN = {"d": 1, "wk": 7}

NO_DATES = "The dosages follow one another without dates. Which one is taken now?"
MEETING = "The dates of the dosages overlap. Which one is taken on the days on which they meet?"
BETWEEN = "The dosages leave days between them. What is taken on these?"
SHARED_WEEKDAYS = (
    "A dosage for some days of the week shares days with another. Are both taken on these days, or"
    " one in the place of the other?"
)
NONE_HOLDS = "No dosage holds on the day of reading. How much is taken now, and how often?"
_SIDE_BY_SIDE = "Dosages on different days of the week were read as taken side by side. Are they?"


class Run(msgspec.Struct, frozen=True):
    """Instructions that hold together from one day to another, both included."""

    first_day: int | None
    last_day: int | None
    numbered: tuple[Numbered, ...]

    @property
    def begins(self) -> float:
        """Its first day; before all others where none is said."""
        return -inf if self.first_day is None else self.first_day

    @property
    def ends(self) -> float:
        """Its last day; after all others where none is said."""
        return inf if self.last_day is None else self.last_day

    @property
    def sequence(self) -> int:
        """The lowest number that its instructions carry."""
        return min(dosage.sequence or 0 for _, dosage in self.numbered)


def numbered_in(dosages: Sequence[Dosage], path: str) -> list[Numbered]:
    """Each dosage with its FHIRPath."""
    return [(f"{path}[{number}]", dosage) for number, dosage in enumerate(dosages)]


def runs_of(
    numbered: Sequence[Numbered], calendar: Calendar, *, lengths_from: int | None = None
) -> list[Run]:
    """The instructions by the days on which they hold, the earliest first.

    `lengths_from` is the day from which an instruction counts that says only how long it lasts;
    without it such a one has no dates. Where one that others follow has none, none of them is
    dated.
    """
    groups: dict[Days, list[Numbered]] = {}
    for each, days in zip(numbered, _days_of(numbered, calendar, lengths_from), strict=True):
        groups.setdefault(days, []).append(each)
    runs = [Run(*days, tuple(group)) for days, group in groups.items()]
    return sorted(runs, key=lambda run: (run.begins, run.ends))


def _days_of(
    numbered: Sequence[Numbered], calendar: Calendar, lengths_from: int | None
) -> list[Days]:
    follow = len({dosage.sequence for _, dosage in numbered}) > 1
    days: list[Days] = [(None, None)] * len(numbered)
    placed = sorted(range(len(numbered)), key=lambda number: numbered[number][1].sequence or 0)
    next_day = lengths_from
    for number in placed:
        path, dosage = numbered[number]
        length = _length(dosage) if next_day is not None else None
        if dosage.bounds is not None:
            days[number] = bounds_of(dosage, calendar, path)
        elif length and next_day is not None:
            days[number] = (next_day, next_day + length - 1)
        elif follow and next_day and lengths_from is not None:
            days[number] = (next_day, None)
        last = days[number][1]
        if follow and last is None and number != placed[-1]:
            return [(None, None)] * len(numbered)
        if follow:
            next_day = None if last is None else last + 1
    return days


def _length(dosage: Dosage) -> int | None:
    lasts = dosage.lasts
    each = _DAYS_IN.get(lasts.code or "") if lasts else None
    if lasts is None or each is None or not isinstance(lasts.value, int) or lasts.value < 1:
        return None
    return each * lasts.value


def refuse_unless_beside(numbered: Sequence[Numbered], path: str, notes: Notes) -> None:
    """Make sure that instructions which hold on one day are meant to be taken together.

    Raises
    ------
    Asked
        where their numbers or their dates differ, and nothing keeps them apart.
    """
    dosages = [dosage for _, dosage in numbered]
    numbers = {dosage.sequence for dosage in dosages}
    if len({(dosage.sequence, *_dates(dosage)) for dosage in dosages}) <= 1:
        return
    if _on_days_apart(dosages):
        if len(numbers) > 1:
            notes.confirm(path, _SIDE_BY_SIDE)
        return
    if len(numbers) > 1 or not _at_times_apart(dosages):
        dated = all(dosage.bounds is not None for dosage in dosages)
        raise Asked(path, MEETING if dated else NO_DATES)


def refuse_shared_weekdays(numbered: Sequence[Numbered], path: str) -> None:
    """Make sure that no dosage for some weekdays may be meant beside another or in its place.

    Raises
    ------
    Asked
        where one may.
    """
    dosages = [dosage for _, dosage in numbered]
    if _share_weekdays(dosages) and not _at_times_apart(dosages):
        raise Asked(path, SHARED_WEEKDAYS)


def refuse_undated(numbered: Sequence[Numbered], path: str) -> None:
    """Make sure that of numbered instructions each says when it holds, or on which weekdays.

    Raises
    ------
    Asked
        where one does not.
    """
    dosages = [dosage for _, dosage in numbered]
    if len({dosage.sequence for dosage in dosages}) <= 1 or _on_days_apart(dosages):
        return
    if not all(dosage.bounds is not None for dosage in dosages):
        raise Asked(path, NO_DATES)


def refuse_doubtful_days(runs: Sequence[Run], path: str) -> None:
    """Make sure that on each day from the first run to the last it is said what is taken.

    Raises
    ------
    Asked
        where runs overlap or leave days between them.
    """
    for _, question in doubtful_days(runs, path):
        raise Asked(path, question)


def doubtful_days(runs: Sequence[Run], path: str) -> Iterator[tuple[Days, str]]:
    """Days on which runs meet, or that they leave between them, each with what is to be asked."""
    for meeting in _meeting(runs):
        if len(meeting) > 1:
            together = [each for run in meeting for each in run.numbered]
            try:
                refuse_unless_beside(together, path, Notes())
            except Asked as asked:
                ends = sorted(run.ends for run in meeting)[-2]
                yield (meeting[1].first_day, None if ends == inf else int(ends)), asked.question
    for before, after in _gaps(runs):
        yield (before + 1, after - 1), BETWEEN


def _meeting(runs: Sequence[Run]) -> Iterator[list[Run]]:
    """Runs that share days with one another."""
    meeting: list[Run] = []
    reach = -inf
    for run in runs:
        if meeting and run.begins > reach:
            yield meeting
            meeting = []
        meeting.append(run)
        reach = max(reach, run.ends)
    if meeting:
        yield meeting


def _gaps(runs: Sequence[Run]) -> Iterator[tuple[int, int]]:
    """The last day before each gap, and the first after it."""
    reach = -inf
    for run in runs:
        if -inf < reach < run.begins - 1:
            yield int(reach), int(run.begins)
        reach = max(reach, run.ends)


def without_shared_days(runs: Sequence[Run]) -> list[Run]:
    """The runs, each ending the day before the next where they share that one day.

    So two orders of one hormone are told apart too: a period's end is often the next one's start.
    """
    trimmed = list(runs)
    for place, (run, after) in enumerate(pairwise(runs)):
        shared = run.last_day is not None and run.last_day == after.first_day
        if shared and after.sequence > run.sequence and run.begins < run.ends:
            trimmed[place] = Run(run.first_day, int(run.ends) - 1, run.numbered)
    return trimmed


def _dates(dosage: Dosage) -> tuple[str | None, str | None]:
    bounds = dosage.bounds
    return (bounds.start, bounds.end) if bounds else (None, None)


def _on_days_apart(dosages: Sequence[Dosage]) -> bool:
    return _apart(_weekdays(dosages))


def _weekdays(dosages: Sequence[Dosage]) -> list[Sequence[str]]:
    return [repeat.day_of_week if (repeat := dosage.repeat) else () for dosage in dosages]


def _share_weekdays(dosages: Sequence[Dosage]) -> bool:
    """Whether one names days of the week, and another is taken on one of them too."""
    named = _weekdays(dosages)
    return len(dosages) > 1 and any(named) and not _apart(named)


def _at_times_apart(dosages: Sequence[Dosage]) -> bool:
    return are_apart([times_of_day(dosage) for dosage in dosages])


def _apart(named: Sequence[Sequence[str]]) -> bool:
    every = [each for names in named for each in names]
    return all(named) and len(every) == len(set(every))


def times_of_day(dosage: Dosage) -> frozenset[str]:
    """The events and the clock times at which a dosage is taken."""
    repeat = dosage.repeat
    return frozenset((*repeat.when, *repeat.time_of_day)) if repeat else frozenset()
