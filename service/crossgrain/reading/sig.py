"""The grammar of free-text instructions ("sigs") in English; others are in `sig_languages`.

::

    sig       = part { joint part } [supply]  "100 mcg Mon-Fri and 50 mcg Sat-Sun"
    part      = { filler } [dates ":"] [product] [verb] amount { beside }
    beside    = mass | equal | frequency | days | dates | clock | filler
    product   = name number unit "tablets:"   "Levothyroxine sodium 100 microgram tablets: take …"
                name "4:1" T4 "/" T3 "microgram tablets:"
              | name                          "Levothyroxine 100 mcg daily"
    amount    = number unit | count | scheme  number: 1  1.5  1/2  1 1/2  ½  one  half  2 (two)
    count     = number                        of tablets: "one to be taken each day", "1 nocte"
    scheme    = count "-" count "-" count ["-" count]    morning, noon, evening, night: "1-0-0"
              | "1x1"                         one tablet once a day
    unit      = mcg µg ug microgram(s) mg g grain(s) gr tablet(s) tab(s) capsule(s) mL
    mass      = "(" number unit ["total"] ")" what one tablet holds, or all of them ("total")
    equal     = "=" number unit               "100 mcg = 1 tab(s)"
    supply    = ["," | "#"] number tablets    what is dispensed: ", 90 tab(s)"
              | ["for"] number days           28 days or more: "for 90 days"
    frequency = daily, once daily, every day, qd, every morning, at bedtime, twice daily, bid,
                N times a day, tid, every other day, qod, every N days, every N hours,
                N times a week, once weekly
    days      = weekdays, weekends, [on] DAY { "," DAY }, DAY "-" DAY, except DAY { "," DAY },
                all other days, "6 days a week" beside the seventh
    dates     = "from" date "to" date
    filler    = by mouth, with water, before breakfast, on an empty stomach, … (`phrases`)

Parts that are joined must name days that do not overlap. One word outside the grammar, and
nothing is read: "as directed", "as needed", "then", "increase" end in a question, or, beside a
coded dose, are heard one by one (`hearing`).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

import msgspec

from crossgrain.reading.quantities import Amount, Dimension, unit_of_word
from crossgrain.reading.schedule import (
    AMOUNT,
    BARE,
    CLOCK,
    DAILY,
    DATES,
    DAY_ALONE,
    EQUAL,
    EXCEPT,
    IN_LATIN,
    JOINT,
    LIST,
    LONGEST,
    MASS,
    MONTHS,
    ONE_BY_ONE,
    ONE_DAY,
    OPENING_DATES,
    OTHER_DAYS,
    PRODUCT,
    PRODUCT_ALONE,
    ROUND,
    SCHEME,
    SPAN,
    SUPPLY,
    TIMES,
    TWO_HORMONES,
    WEEK,
    Schedule,
    on_weekdays,
    plain_words,
    times_a_day,
)


class SigPart(msgspec.Struct, frozen=True):
    """One amount and when it is taken.

    Attributes
    ----------
    mass : what stands in brackets beside it, or what its tablets come to
    mass_of_which : it is not said whether the mass is that of one tablet or of all of them
    product : the product that it is said to be of, as written, or empty
    dates : first and last day, where the words name them
    """

    amount: Amount
    schedule: Schedule
    mass: Amount | None = None
    product: str = ""
    dates: tuple[str, str] | None = None
    mass_of_which: bool = False

    @property
    def whole(self) -> tuple[Amount, ...]:
        """What its mass may come to in all; nothing where it names none."""
        if self.mass is None:
            return ()
        several = Amount(self.mass.dimension, self.mass.value * self.amount.value)
        return (self.mass, several) if self.mass_of_which else (self.mass,)


class Sig(msgspec.Struct, frozen=True):
    """An instruction that was read whole."""

    parts: tuple[SigPart, ...]


def read_english(words: str, filler: re.Pattern[str]) -> Sig | None:
    """Read an instruction in English whole, or not at all.

    `filler` is what may stand beside the dose.

    Examples
    --------
    >>> plain = re.compile("by mouth")
    >>> read_english("Take 1/2 tablet by mouth every other day", plain).parts[0].schedule.doses
    (Fraction(1, 1), Fraction(0, 1))
    >>> read_english("1 tab by mouth daily as directed", plain) is None
    True
    """
    if len(words) > LONGEST:
        return None
    text, place = _with_other_days(plain_words(words)), 0
    if scheme := _read_scheme(text, filler):
        return scheme
    parts: list[SigPart] = []
    while joined := not parts or JOINT.match(text, place):
        start = place if joined is True else joined.end()
        found = _read_part(text, start, filler)
        if found is None:
            return None
        part, place = found
        parts.append(part)
    return Sig(tuple(parts)) if len(parts) == 1 or days_disjoint(parts) else None


def _read_scheme(text: str, filler: re.Pattern[str]) -> Sig | None:
    """Tablets by the times of day, as ``1-0-0``, with nothing beside it but "daily"."""
    place = _after_fillers(text, 0, filler)
    found = SCHEME.match(text, place) or ONE_BY_ONE.match(text, place)
    if not found:
        return None
    place = found.end()
    while place < len(text):
        daily = _DAILY_ALONE.match(text, place) or filler.match(text, place)
        if text[place] != " " and not daily:
            return None
        place = daily.end() if daily and text[place] != " " else place + 1
    return of_scheme([_count(each) for each in found["counts"].split("-")])


def _with_other_days(text: str) -> str:
    """The same, "all other days" spelled as the days but those that the rest of it names."""
    found = OTHER_DAYS.search(text)
    if found is None:
        return text
    rest = f"{text[: found.start()]} {text[found.end() :]}"
    if SPAN.search(rest) or ROUND.search(rest) or EXCEPT.search(rest):
        return text
    named = dict.fromkeys(day[1] for day in DAY_ALONE.finditer(rest))
    if not named or (found["many"] and int(found["many"]) + len(named) != len(WEEK)):
        return text
    return f"{text[: found.start()]}except {', '.join(named)}{text[found.end() :]}"


_DAILY_ALONE = re.compile(r"(?:daily|every day|each day|per day|a day)(?!\w)")


def _count(words: str) -> Fraction:
    """``1``, ``0.5``, ``1/2`` or ``1 1/2``."""
    return sum(map(Fraction, words.split()), Fraction(0))


def of_scheme(counts: Sequence[Fraction]) -> Sig | None:
    """So many tablets at each of the times of day; ``None`` where there are none, or too many."""
    taken = [count for count in counts if count]
    if not taken or sum(taken) > _MOST_BY_SCHEME:
        return None
    if len(set(taken)) == 1:
        schedule = DAILY if len(taken) == 1 else times_a_day(len(taken))
        return Sig((SigPart(Amount(Dimension.PIECE, taken[0]), schedule),))
    return Sig(tuple(SigPart(Amount(Dimension.PIECE, count), DAILY) for count in taken))


_MOST_BY_SCHEME = 4
"""Tablets a day: beyond it the numbers are hardly tablets."""


@dataclass(slots=True)
class _Reading:
    """What one part has given so far."""

    amount: Amount
    schedule: Schedule | None = None
    days: frozenset[str] = field(default_factory=frozenset)
    mass: Amount | None = None
    all_of_it: bool = False
    product: str = ""
    dates: tuple[str, str] | None = None
    counted: bool = False
    clock: bool = False


def _read_part(text: str, start: int, filler: re.Pattern[str]) -> tuple[SigPart, int] | None:
    """One part, and where it ends: at a joint or at the end of the words."""
    place = _after_fillers(text, start, filler)
    opening = OPENING_DATES.match(text, place)
    place = opening.end() if opening else place
    product = TWO_HORMONES.match(text, place) or PRODUCT.match(text, place)
    named = None if product else PRODUCT_ALONE.match(text, place)
    place = product.end() if product else named.end() if named else place
    found = AMOUNT.match(text, place)
    bare = None if found else BARE.match(text, place)
    amount = amount_in(found) if found else _counted(bare) if bare else None
    found = found or bare
    if found is None or amount is None:
        return None
    reading = _Reading(amount, counted=bare is not None)
    reading.product = named["name"] if named else ""
    if opening and not _of_dates(reading, opening):
        return None
    if product and not _of_product(reading, product):
        return None
    place = found.end()
    while (
        place < len(text) and not _supplied(reading, text, place) and not JOINT.match(text, place)
    ):
        end = place + 1 if text[place] == " " else _step(reading, text, place, filler)
        if end is None:
            return None
        place = end
    part = _finished(reading)
    return (part, len(text) if _supplied(reading, text, place) else place) if part else None


def _counted(found: re.Match[str]) -> Amount:
    """A number of nothing named, which are tablets."""
    if found["u"]:
        value = Fraction(int(found["w"] or 0)) + Fraction(1, 2)
    else:
        value = Fraction(found["n"] or 1)
    return Amount(Dimension.PIECE, value)


_SUPPLIED = 14
"""Tablets: nobody takes as many at a time, so at the end of an instruction they are a supply."""


_SUPPLIED_DAYS = 28
"""Days: a course as long is a supply that is renewed; a shorter one may have been for once."""


def _supplied(reading: _Reading, text: str, place: int) -> bool:
    """Whether what is left tells how many tablets are dispensed, or for how many days."""
    found = SUPPLY.match(text, place) if reading.schedule or reading.days else None
    if found is None or found["days"]:
        return found is not None and int(found["days"]) >= _SUPPLIED_DAYS
    return bool(found["said"]) or int(found["many"]) >= _SUPPLIED


def _ends(reading: _Reading, text: str, place: int) -> bool:
    """Whether the part ends here: at a joint, or before what is dispensed."""
    return _supplied(reading, text, place) or bool(JOINT.match(text, place))


def _after_fillers(text: str, place: int, filler: re.Pattern[str]) -> int:
    while place < len(text):
        found = None if text[place] == " " else filler.match(text, place)
        if text[place] != " " and not found:
            break
        place = found.end() if found else place + 1
    return place


def _of_product(reading: _Reading, product: re.Match[str]) -> bool:
    """Take the content of one tablet, and with it what the tablets come to."""
    two = product.re is TWO_HORMONES
    each = Amount(Dimension.MASS, Fraction(product["t4"])) if two else amount_in(product)
    if each is None or reading.amount.dimension is not Dimension.PIECE:
        return False
    reading.product = f"{product['name']} {product['each']} tablet"
    reading.mass = Amount(each.dimension, each.value * reading.amount.value)
    reading.all_of_it = True
    return True


def _of_dates(reading: _Reading, found: re.Match[str]) -> bool:
    """Take the first and the last day, which are named once."""
    twice = bool(reading.dates)
    reading.dates = dates_in(found)
    return not twice and reading.dates is not None


def amount_in(found: re.Match[str]) -> Amount | None:
    """The amount that a pattern of `sig_words` has found."""
    unit = unit_of_word(found["unit"])
    if unit is None or (found["d"] and int(found["u"]) >= int(found["d"])):
        return None  # 11/2 is more often a slip of 1 1/2 than five and a half
    if found["n"]:
        number = Fraction(found["n"])
    else:
        number = Fraction(int(found["w"] or 0)) + Fraction(int(found["u"]), int(found["d"]))
    return Amount(unit.dimension, number * unit.factor)


def _step(reading: _Reading, text: str, place: int, filler: re.Pattern[str]) -> int | None:
    """Read the next thing at `place`; ``None`` where it is outside the grammar."""
    if named := days_at(text, place):
        twice = bool(reading.days)
        reading.days = named[0]
        return None if twice else named[1]
    for pattern, take in _BESIDE:
        if found := pattern.match(text, place):
            return found.end() if take(reading, found) else None
    return _frequency(reading, text, place, filler)


def _of_both(reading: _Reading, found: re.Match[str]) -> bool:
    """Take a mass and the tablets that are equal to it, whichever comes first."""
    same = amount_in(found)
    both = {each.dimension: each for each in (reading.amount, same) if each}
    if reading.mass is not None or set(both) != {Dimension.MASS, Dimension.PIECE}:
        return False
    reading.amount, reading.mass = both[Dimension.PIECE], both[Dimension.MASS]
    reading.all_of_it = True
    return True


def _of_mass(reading: _Reading, found: re.Match[str]) -> bool:
    """Take what stands in brackets, which is named once."""
    twice = reading.mass is not None
    reading.mass, reading.all_of_it = amount_in(found), bool(found["all"])
    return not twice


def _of_clock(reading: _Reading, _: re.Match[str]) -> bool:
    """Take the hour of the one dose of the day."""
    twice, reading.clock = reading.clock, True
    return not twice


def _frequency(reading: _Reading, text: str, place: int, filler: re.Pattern[str]) -> int | None:
    if found := IN_LATIN.match(text, place):
        again = reading.schedule not in (None, DAILY)
        reading.schedule = DAILY
        return None if again else found.end()
    for pattern, meaning in TIMES:
        if found := pattern.match(text, place):
            schedule = meaning(found)
            if schedule is None or reading.schedule not in (None, schedule):
                return None
            reading.schedule = schedule
            return found.end()
    beside = filler.match(text, place)
    return beside.end() if beside else None


_BESIDE = ((MASS, _of_mass), (EQUAL, _of_both), (DATES, _of_dates), (CLOCK, _of_clock))
"""What may stand beside an amount, and what takes it."""


def days_at(text: str, place: int) -> tuple[frozenset[str], int] | None:
    """The days of the week named at `place`, and where the naming ends."""
    return (
        _span(text, place) or _round_days(text, place) or _list(text, place) or _left(text, place)
    )


def dates_in(found: re.Match[str]) -> tuple[str, str] | None:
    """First and last day as FHIR writes them; ``None`` where there is no such day."""
    ends = found.groups()
    try:
        first, last = (
            date(int(year), MONTHS.index(month) + 1, int(day)).isoformat()
            for day, month, year in (ends[:3], ends[3:])
        )
    except ValueError:
        return None
    return first, last


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


def _left(text: str, place: int) -> tuple[frozenset[str], int] | None:
    """Every day but those that are named."""
    found = EXCEPT.match(text, place)
    if not found:
        return None
    named = {day[1] for day in ONE_DAY.finditer(found[0])}
    return frozenset(WEEK) - named, found.end()


def _finished(reading: _Reading) -> SigPart | None:
    schedule = reading.schedule
    if reading.days:
        if schedule not in (None, DAILY):
            return None
        schedule = on_weekdays(reading.days)
    if schedule is None or (reading.clock and schedule.per_day > 1):
        return None
    if reading.counted and reading.amount.value != 1 and schedule != DAILY:
        return None  # "2 weekly": two at a time, or twice
    several = reading.amount.dimension is Dimension.PIECE and reading.amount.value != 1
    unsaid = reading.mass is not None and several and not reading.all_of_it
    return SigPart(reading.amount, schedule, reading.mass, reading.product, reading.dates, unsaid)


def days_disjoint(parts: Sequence[SigPart]) -> bool:
    """Whether each part is taken on named days of the week that are its own."""
    weeks = [part.schedule.doses for part in parts]
    if any(
        len(week) != 7 or not part.schedule.days_known
        for week, part in zip(weeks, parts, strict=True)
    ):
        return False
    return all(sum(1 for dose in day if dose) <= 1 for day in zip(*weeks, strict=True))
