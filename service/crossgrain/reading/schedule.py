"""When a dose is taken: the number of doses on each day of a repeating cycle."""

from fractions import Fraction

import msgspec

from crossgrain.reading.quantities import mean

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
