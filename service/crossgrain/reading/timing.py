"""FHIR ``Timing`` to a schedule, or a question.

What a record can say twice (a code and a repeat, a frequency and the times of day) must
agree. What leaves a choice (a range, so many as needed, a count without days) is asked.
"""

from collections.abc import Sequence
from fractions import Fraction

from msgspec.structs import replace

from crossgrain.names.printing import as_written
from crossgrain.reading.elements import (
    NOT_GIVEN,
    Asked,
    CodeableConcept,
    ReadCategory,
    Repeat,
    Timing,
    Unreadable,
)
from crossgrain.reading.moments import Moments, moments_of
from crossgrain.reading.quantities import exact, positive_integer, scaled
from crossgrain.reading.schedule import (
    DAILY,
    WEEK,
    Schedule,
    every,
    on_weekdays,
    read_frequency,
    times_a_day,
    times_a_week,
)

_CODE_SYSTEMS = (
    "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation",
    "http://hl7.org/fhir/v3/GTSAbbreviation",
    "http://terminology.hl7.org/CodeSystem/timing-abbreviation",
)
_CODES: dict[str, Schedule] = {
    "QD": DAILY,
    "AM": DAILY,
    "PM": DAILY,
    "BED": DAILY,
    "BID": times_a_day(2),
    "TID": times_a_day(3),
    "QID": times_a_day(4),
    "Q6H": times_a_day(4),
    "Q8H": times_a_day(3),
    "Q4H": times_a_day(6),
    "Q3H": times_a_day(8),
    "Q2H": times_a_day(12),
    "Q1H": times_a_day(24),
    "QOD": every(2),
    "WK": every(7),
}
_SHOWN = 40
"""Characters of a code that a question shows."""
_HOURS_IN = {"s": Fraction(1, 3600), "min": Fraction(1, 60), "h": Fraction(1)}
_DAYS_IN = {"d": Fraction(1), "wk": Fraction(7)}
_UNITS = {*_HOURS_IN, *_DAYS_IN, "mo", "a"}
_LONGEST_DAYS = 7
"""A thyroid tablet less often than weekly is a supply period or a slip: asked about."""


def schedule_of(timing: Timing, expression: str, beside: Sequence[Schedule] = ()) -> Schedule:
    """The schedule that a timing gives.

    `beside` is how often by what stands beside the timing, which tells how many doses a day are
    meant by moments that may be one.

    Raises
    ------
    Asked
        where it gives none, or leaves a choice.
    Unreadable
        where a value is not one that FHIR allows.
    """
    if timing.modifier:
        raise Asked(
            f"{expression}.modifierExtension",
            "The timing carries a modifier that is not known. How often is a dose taken?",
        )
    if timing.event:
        raise Asked(
            f"{expression}.event",
            "The timing is a list of moments. How often is a dose taken on a usual day?",
        )
    named = _named(timing.code, f"{expression}.code") if timing.code else ()
    also = _also_coded(timing.code)
    often = (*named, *also, *beside)
    repeated = _repeated(timing.repeat, f"{expression}.repeat", often) if timing.repeat else None
    found = repeated or (named[0] if named else None)
    if found is None:
        where = f"{expression}.code" if timing.code else expression
        raise Asked(where, "The timing does not say how often. How often is a dose taken?")
    for other in (*named, *also):
        if not found.same_as(other):
            raise Asked(
                expression if repeated else f"{expression}.code",
                f"The timing says {_doses(found.per_day)} a day and, in its code or its words,"
                f" {_doses(other.per_day)} a day. Which one is right?",
            )
    return found


def says_how_often(timing: Timing) -> bool:
    """Whether it says more than from when until when."""
    repeat = timing.repeat
    rate = (repeat.frequency, repeat.period) if repeat else ()
    days = (*repeat.day_of_week, *repeat.time_of_day, *repeat.when) if repeat else ()
    return bool(timing.event or timing.code or days or any(part is not None for part in rate))


def _named(concept: CodeableConcept, path: str) -> tuple[Schedule, ...]:
    """What each code of a timing says, then each of its words.

    Raises
    ------
    Asked
        where a code is not read, and no words say what it means.
    """
    coded = _coded(concept, path)
    words = [concept.text, *(coding.display or coding.code for coding in concept.coding)]
    said = (read_frequency(text) for text in words if text)
    worded = [replace(schedule, in_words=True) for schedule in said if schedule]
    spoken = concept.text or any(coding.display for coding in concept.coding)
    unread = next((coding.code for coding in concept.coding if coding.code), "")
    if unread and not (coded or worded or spoken or _also_coded(concept)):
        shown = unread[:_SHOWN]
        raise Asked(path, f"The timing is “{shown}”, which is not read. How often is that?")
    return (*coded, *worded)


def _coded(concept: CodeableConcept, path: str) -> tuple[Schedule, ...]:
    """What the codes of the systems for timing say."""
    codes = [
        coding.code.upper()
        for coding in concept.coding
        if coding.system in _CODE_SYSTEMS and coding.code
    ]
    for code in codes:
        if code not in _CODES:
            raise Asked(path, f"The timing is “{code}”, which is not read. How often is that?")
    return tuple(_CODES[code] for code in codes)


def _also_coded(concept: CodeableConcept | None) -> tuple[Schedule, ...]:
    """What the same letters say under another system or none: enough to contradict."""
    codes = (coding.code.upper() for coding in (concept.coding if concept else ()) if coding.code)
    return tuple(_CODES[code] for code in codes if code in _CODES)


def _repeated(repeat: Repeat, path: str, often: Sequence[Schedule]) -> Schedule | None:
    """What ``Timing.repeat`` gives; ``None`` where it holds bounds alone."""
    _refuse_choices(repeat, path)
    _refuse_gaps(repeat, path)
    days = _named_days(repeat.day_of_week, path)
    moments = moments_of(repeat, path)
    rate = _rate(repeat, path)
    if rate is None:
        return _by_moments(days, moments, often, path)
    times, period_days = rate
    if moments and moments.counts:
        times = _agreed(times, moments, period_days, days, path)
    if days:
        return _on_days(days, times, period_days, path)
    return _spread(times, period_days, path)


def _refuse_choices(repeat: Repeat, path: str) -> None:
    for name, low, high in (
        ("frequencyMax", repeat.frequency, repeat.frequency_max),
        ("periodMax", repeat.period, repeat.period_max),
    ):
        if high is not None and high != low:
            raise Asked(
                f"{path}.{name}", "The timing is a range. How often is a dose taken as a rule?"
            )


def _refuse_gaps(repeat: Repeat, path: str) -> None:
    for name, named, words in (
        ("dayOfWeek", repeat.day_of_week, "One of its days is not given. How much is taken when?"),
        ("timeOfDay", repeat.time_of_day, _A_TIME_NOT_GIVEN),
        ("when", repeat.when, _A_TIME_NOT_GIVEN),
    ):
        if NOT_GIVEN in named:
            raise Asked(f"{path}.{name}[{named.index(NOT_GIVEN)}]", words)


_A_TIME_NOT_GIVEN = "One of its times is not given. How much is taken a day?"


def _named_days(names: Sequence[str], path: str) -> frozenset[str]:
    for place, name in enumerate(names):
        if name not in WEEK:
            raise Unreadable(
                ReadCategory.VALUE, f"{path}.dayOfWeek[{place}]", "this is no day of the week"
            )
    return frozenset(names)


def _rate(repeat: Repeat, path: str) -> tuple[Fraction, Fraction] | None:
    """Doses, and the days in which they are taken."""
    if repeat.frequency is None and repeat.period is None:
        return None
    if repeat.period is None or repeat.period_unit is None:
        raise Asked(path, "The timing has no period or no unit for it. How often is a dose taken?")
    if repeat.period_unit not in _UNITS:
        raise Unreadable(ReadCategory.VALUE, f"{path}.periodUnit", "this is no unit of time")
    period = exact(repeat.period, f"{path}.period")
    if period.numerator <= 0:
        raise Unreadable(ReadCategory.VALUE, f"{path}.period", "a period must be above zero")
    times = exact(
        1 if repeat.frequency is None else positive_integer(repeat.frequency, f"{path}.frequency"),
        path,
    )
    if repeat.period_unit in _HOURS_IN:
        return times, period * _HOURS_IN[repeat.period_unit] / 24
    if repeat.period_unit in _DAYS_IN:
        return times, scaled(period, _DAYS_IN[repeat.period_unit])
    raise _too_rare(times, _long(period, repeat.period_unit), path)


def _by_moments(
    days: frozenset[str], moments: Moments | None, often: Sequence[Schedule], path: str
) -> Schedule | None:
    """So many doses on each day as moments are named, where that is certain."""
    if moments is None:
        return on_weekdays(days) if days else None
    in_words, times = False, moments.sure
    if times is None:
        told = next((one for one in often if _may_be(_a_day(one), moments)), None)
        if told is None and not days and not moments.counts:
            return None
        if told is None:
            raise Asked(
                path,
                f"The timing names {moments.listed}, which may be one moment of the day or"
                " several. How many doses are taken a day?",
            )
        in_words, times = told.in_words, int(_a_day(told))
    schedule = on_weekdays(days, Fraction(times)) if days else times_a_day(times)
    return replace(schedule, in_words=in_words)


def _a_day(schedule: Schedule) -> Fraction:
    """Doses on a day on which any is taken, where that is the same on all."""
    taken = {doses for doses in schedule.doses if doses}
    return taken.pop() if len(taken) == 1 else Fraction(0)


def _may_be(times: Fraction, moments: Moments) -> bool:
    return times in moments.counts or (not moments.counts and times.denominator == 1 <= times)


def _agreed(
    times: Fraction, moments: Moments, period: Fraction, days: frozenset[str], path: str
) -> Fraction:
    """The frequency, where the moments named beside it do not contradict it."""
    dosing_days = Fraction(1)
    if period == 7:
        dosing_days = Fraction(len(days)) if days else min(times, Fraction(7))
    if any(times == count * dosing_days * min(period, Fraction(1)) for count in moments.counts):
        return times
    raise Asked(
        path,
        f"The timing says {_doses(times)} in {days_in_words(period)} and names {moments.listed}."
        " How many doses are taken a day?",
    )


def _on_days(days: frozenset[str], times: Fraction, period: Fraction, path: str) -> Schedule:
    if period == 1:
        return on_weekdays(days, times)
    if period == 7 and times == len(days):
        return on_weekdays(days)
    raise Asked(
        path,
        f"The timing says {_doses(times)} in {days_in_words(period)} and names {len(days)} days of"
        " the week. On which days is how much taken?",
    )


def _spread(times: Fraction, period: Fraction, path: str) -> Schedule:
    """So many doses in so many days, as a cycle of whole days."""
    if period == 1:
        return every(1, times)
    if period > _LONGEST_DAYS:
        raise _too_rare(times, days_in_words(period), path)
    if period == 7:
        return times_a_week(int(times))
    if period < 1 and (times / period).denominator == 1:
        return times_a_day(int(times / period))
    if period.denominator == 1:
        return every(int(period), times)
    raise Asked(path, "The timing does not come round in whole days. How often is a dose taken?")


def _doses(count: Fraction) -> str:
    return "1 dose" if count == 1 else f"{as_written(count)} doses"


def days_in_words(count: Fraction) -> str:
    """So many days.

    >>> days_in_words(Fraction(1)), days_in_words(Fraction(7, 2))
    ('1 day', '3.5 days')
    """
    return "1 day" if count == 1 else f"{as_written(count)} days"


def _long(count: Fraction, unit: str) -> str:
    word = "month" if unit == "mo" else "year"
    return f"1 {word}" if count == 1 else f"{as_written(count)} {word}s"


def _too_rare(times: Fraction, period: str, path: str) -> Asked:
    return Asked(
        path,
        f"The timing says {_doses(times)} in {period}, which may be the supply and not the"
        " dose. How often is a dose taken?",
    )
