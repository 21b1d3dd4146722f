"""How often and on which days a dose is taken, by the cycle and by the times that words name."""

import re
from collections.abc import Callable
from fractions import Fraction

import msgspec

from crossgrain.reading.quantities import mean
from crossgrain.reading.sig_words import plain_words

WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Schedule(msgspec.Struct, frozen=True):
    """Doses on each day of a cycle: ``(1,)`` daily, ``(1, 0)`` every other day.

    Seven entries begin on Monday; where the record does not say which days of the week,
    the first ones are taken, since only the mean is used then (`days_known` is false).
    `in_words` is true where it stands only in words.
    """

    doses: tuple[Fraction, ...]
    days_known: bool = True
    in_words: bool = False

    @property
    def per_day(self) -> Fraction:
        """Mean doses a day."""
        return mean(self.doses)

    def same_as(self, other: "Schedule") -> bool:
        """Whether both say the same, as far as both say it."""
        if self.days_known and other.days_known and len(self.doses) == len(other.doses):
            return self.doses == other.doses
        return self.per_day == other.per_day


DAILY = Schedule((Fraction(1),))


def every(days: int, doses: Fraction = Fraction(1)) -> Schedule:
    """So many doses on one day in `days`.

    >>> every(2).doses
    (Fraction(1, 1), Fraction(0, 1))
    """
    return Schedule((doses, *(Fraction(0),) * (days - 1)), days_known=days <= 1)


def times_a_day(count: int) -> Schedule:
    """So many doses every day."""
    return Schedule((Fraction(count),))


def on_weekdays(names: frozenset[str], doses: Fraction = Fraction(1)) -> Schedule:
    """Doses on named days of the week.

    >>> on_weekdays(frozenset({"sat", "sun"})).per_day
    Fraction(2, 7)
    """
    return Schedule(tuple(doses if day in names else Fraction(0) for day in WEEK))


def times_a_week(count: int) -> Schedule:
    """So many doses a week, one a day, on days that the record does not name."""
    whole, more = divmod(count, 7)
    return Schedule(
        tuple(Fraction(whole + (place < more)) for place in range(7)), days_known=not more
    )


LONGEST = 1000
"""Characters: an instruction that is longer holds more than a dose."""


_N = r"(\d{1,3})"
_A_DAY = r"(?:daily|a day|per day|each day|every day)"
_LATER = r"(?:in the |at |every )?(?:early |late )?(?:bedtime|night|evening|afternoon|pm)"
TIMES: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], Schedule | None]], ...] = tuple(
    (re.compile(rf"(?:{pattern})(?!\w)"), meaning)
    for pattern, meaning in (
        (r"(?:every|each) other day|(?:on )?alternate days|every (?:second|2nd) day|qod|q2d",
         lambda _: every(2)),
        (rf"every {_N} days|q{_N}d", lambda m: _every_days(m[1] or m[2])),
        (rf"every {_N} ?(?:hours|hrs|h)|q{_N}h", lambda m: _every_hours(m[1] or m[2])),
        (rf"{_N} ?(?:times|x|days)? ?(?:a|per|each|every|/) ?(?:week|wk)|{_N} (?:times |x )weekly|"
         rf"{_N}x weekly", lambda m: _a_week(m[1] or m[2] or m[3])),
        (r"(?:once (?:a|per|every) week|once weekly|weekly|every week)", lambda _: every(7)),
        (rf"(?:in the|every|each) (?:morning|am),? and {_LATER}", lambda _: times_a_day(2)),
        (rf"twice {_A_DAY}|bid", lambda _: times_a_day(2)),
        (rf"{_N} ?(?:times?|x) ?(?:{_A_DAY}|/ ?day)|{_N} ?(?:/ ?day|per day)",
         lambda m: _a_day(m[1] or m[2])),
        (r"tid", lambda _: times_a_day(3)),
        (r"qid", lambda _: times_a_day(4)),
        (rf"(?:(?:once|one time) )?(?:{_A_DAY}|/ ?day)|qd|od", lambda _: DAILY),
        (r"(?:every|each|in the|q) ?(?:morning|am|evening|pm|night)|qam|qpm|nightly|"
         r"at (?:bedtime|night)|qhs|hs", lambda _: DAILY),
    )
)  # fmt: skip


_COUNTED = {
    **dict.fromkeys(("ein", "une", "una", "één", "en"), 1),
    **dict.fromkeys(("zwei", "deux", "dos", "due", "twee", "to", "två"), 2),
}
ELSEWHERE: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], Schedule | None]], ...] = tuple(
    (re.compile(rf"(?:{pattern})(?!\w)"), meaning)
    for pattern, meaning in (
        (
            rf"(?:{_N}|({'|'.join(_COUNTED)})) ?(?:x|mal|fois|vez|veces|volta|volte|gange?|gånger|"
            r"gång|maal|keer|krát)? ?(?:täglich|am tag|pro tag|par jour|al d[ií]a|al giorno|"
            r"per dag|om dagen|dagligen|dagligt|daglig|denně)",
            lambda m: _a_day(m[1] or str(_COUNTED[m[2]])),
        ),
        (
            r"täglich|jeden (?:tag|morgen)|morgens|chaque (?:jour|matin)|tous les (?:jours|matins)|"
            r"le matin|par jour|cada (?:día|mañana)|diario|diariamente|al d[ií]a|ogni "
            r"(?:giorno|mattina)|al giorno|al mattino|dagelijks|elke (?:dag|ochtend)|per dag|"
            r"dagligen|dagligt?|hver (?:dag|morgen)|varje (?:dag|morgon)|denně|každý den",
            lambda _: DAILY,
        ),
    )
)
"""Plain daily frequencies in other languages: heard beside a coded dose, never read alone."""


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
    if hours and hours % 24 == 0:
        return _every_days(str(hours // 24))
    return times_a_day(24 // hours) if hours and 24 % hours == 0 else None


def _a_day(count: str) -> Schedule | None:
    return times_a_day(int(count)) if 0 < int(count) <= 24 else None


def _a_week(count: str) -> Schedule | None:
    return times_a_week(int(count)) if 0 < int(count) <= 7 else None
