"""The grammar of free-text instructions ("sigs") that are read.

::

    sig       = part { joint part }           "100 mcg Mon-Fri and 50 mcg Sat-Sun"
    part      = [verb] amount { mass | frequency | days | filler }
    amount    = number unit                   number: 1  1.5  1/2  1 1/2  ½  one  half
    unit      = mcg µg ug microgram(s) mg g grain(s) gr tablet(s) tab(s) capsule(s) mL
    mass      = "(" number unit ["total"] ")" what one tablet holds, or all of them ("total")
    frequency = daily, once daily, every day, qd, every morning, at bedtime, twice daily, bid,
                three times daily, tid, every other day, qod, every N days, every N hours,
                N times a week, once weekly
    days      = weekdays, weekends, [on] DAY { "," DAY }, DAY "-" DAY
    filler    = by mouth, with water, before breakfast, on an empty stomach, …

Parts that are joined must name days that do not overlap. One word outside the grammar, and
nothing is read: "as directed", "as needed", "then", "except", "increase" end in a question.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import msgspec

from crossgrain.fhir.read.quantities import Amount
from crossgrain.fhir.read.remembered import Remembered
from crossgrain.fhir.read.schedule import DAILY, WEEK, Schedule, on_weekdays
from crossgrain.fhir.read.sig_times import LONGEST, TIMES
from crossgrain.fhir.read.sig_words import (
    AMOUNT,
    COUNTED_PARTS,
    FILLER,
    JOINT,
    LIST,
    MASS,
    ONE_DAY,
    ROUND,
    SPAN,
    plain_words,
)
from crossgrain.fhir.read.units import Dimension, unit_of_word


class Part(msgspec.Struct, frozen=True):
    """One amount and when it is taken; `mass` is what stands in brackets beside it."""

    amount: Amount
    schedule: Schedule
    mass: Amount | None = None


class Sig(msgspec.Struct, frozen=True):
    """An instruction that was read whole."""

    parts: tuple[Part, ...]


def read_sig(words: str) -> Sig | None:
    """Read an instruction whole, or not at all.

    Examples
    --------
    >>> read_sig("Take 1/2 tablet by mouth every other day").parts[0].schedule.doses
    (Fraction(1, 1), Fraction(0, 1))
    >>> read_sig("1 tab po daily as directed") is None
    True
    """
    return _SIGS[words]


def _read_sig(words: str) -> Sig | None:
    if len(words) > LONGEST:
        return None
    parts: list[Part] = []
    for piece in JOINT.split(plain_words(words)):
        part = _read_part(piece)
        if part is None:
            return None
        parts.append(part)
    return Sig(tuple(parts)) if len(parts) == 1 or _days_disjoint(parts) else None


_SIGS = Remembered(_read_sig, len)


class Traces(msgspec.Struct, frozen=True):
    """What can be made out in words that are not read: enough to contradict, not to dose."""

    schedules: tuple[Schedule, ...]
    amounts: tuple[Amount, ...]


def traces_in(words: str) -> Traces:
    """Every frequency and amount that stands in an instruction outside the grammar.

    Examples
    --------
    >>> [s.per_day for s in traces_in("One tablet daily for 4 days").schedules]
    [Fraction(1, 1)]
    """
    text = plain_words(words[:LONGEST])
    schedules = [
        schedule
        for pattern, meaning in TIMES
        for found in pattern.finditer(text)
        if _begins_a_word(text, found) and (schedule := meaning(found))
    ]
    amounts = [
        amount
        for found in AMOUNT.finditer(text)
        if _begins_a_word(text, found) and (amount := _amount(found))
    ]
    return Traces(tuple(schedules), (*amounts, *_counted_parts(text)))


def _counted_parts(text: str) -> Iterator[Amount]:
    """Two half tablets, which are one."""
    for found in COUNTED_PARTS.finditer(text):
        part = Fraction(1, 2 if found["part"] == "half" else 4)
        if unit := unit_of_word(found["unit"]):
            yield Amount(unit.dimension, int(found["count"]) * part * unit.factor)


def _begins_a_word(text: str, found: re.Match[str]) -> bool:
    return found.start() == 0 or not text[found.start() - 1].isalnum()


@dataclass(slots=True)
class _Reading:
    """What one part has given so far."""

    amount: Amount
    schedule: Schedule | None = None
    days: frozenset[str] = field(default_factory=frozenset)
    mass: Amount | None = None
    all_of_it: bool = False


def _read_part(text: str) -> Part | None:
    found = AMOUNT.match(text)
    amount = _amount(found) if found else None
    if found is None or amount is None:
        return None
    reading = _Reading(amount)
    place = found.end()
    while place < len(text):
        if text[place] == " ":
            place += 1
            continue
        end = _step(reading, text, place)
        if end is None:
            return None
        place = end
    return _finished(reading)


def _amount(found: re.Match[str]) -> Amount | None:
    unit = unit_of_word(found["unit"])
    if unit is None or (found["d"] and int(found["u"]) >= int(found["d"])):
        return None  # 11/2 is more often a slip of 1 1/2 than five and a half
    if found["n"]:
        number = Fraction(found["n"])
    else:
        number = Fraction(int(found["w"] or 0)) + Fraction(int(found["u"]), int(found["d"]))
    return Amount(unit.dimension, number * unit.factor)


def _step(reading: _Reading, text: str, place: int) -> int | None:
    """Read the next thing at `place`; ``None`` where it is outside the grammar."""
    if found := MASS.match(text, place):
        if reading.mass is not None:
            return None
        reading.mass, reading.all_of_it = _amount(found), bool(found["all"])
        return found.end()
    for days in (_span, _round_days, _list):
        if named := days(text, place):
            twice = bool(reading.days)
            reading.days = named[0]
            return None if twice else named[1]
    return _frequency(reading, text, place)


def _frequency(reading: _Reading, text: str, place: int) -> int | None:
    for pattern, meaning in TIMES:
        if found := pattern.match(text, place):
            schedule = meaning(found)
            if schedule is None or reading.schedule not in (None, schedule):
                return None
            reading.schedule = schedule
            return found.end()
    filler = FILLER.match(text, place)
    return filler.end() if filler else None


def _span(text: str, place: int) -> tuple[frozenset[str], int] | None:
    found = SPAN.match(text, place)
    if not found:
        return None
    first, last = WEEK.index(found[1]), WEEK.index(found[2])
    days = WEEK[first : last + 1] if first <= last else WEEK[first:] + WEEK[: last + 1]
    return frozenset(days), found.end()


def _round_days(text: str, place: int) -> tuple[frozenset[str], int] | None:
    found = ROUND.match(text, place)
    if not found:
        return None
    weekend = found[1].startswith("weekend")
    return frozenset(WEEK[5:] if weekend else WEEK[:5]), found.end()


def _list(text: str, place: int) -> tuple[frozenset[str], int] | None:
    found = LIST.match(text, place)
    if not found:
        return None
    return frozenset(day[1] for day in ONE_DAY.finditer(found[0])), found.end()


def _finished(reading: _Reading) -> Part | None:
    schedule = reading.schedule
    if reading.days:
        if schedule not in (None, DAILY):
            return None
        schedule = on_weekdays(reading.days)
    if schedule is None:
        return None
    several = reading.amount.dimension is Dimension.PIECE and reading.amount.value != 1
    if reading.mass is not None and several and not reading.all_of_it:
        return None  # the content of one tablet or of all of them: not said
    return Part(reading.amount, schedule, reading.mass)


def _days_disjoint(parts: list[Part]) -> bool:
    weeks = [part.schedule.doses for part in parts]
    if any(
        len(week) != 7 or not part.schedule.days_known
        for week, part in zip(weeks, parts, strict=True)
    ):
        return False
    return all(sum(1 for dose in day if dose) <= 1 for day in zip(*weeks, strict=True))
