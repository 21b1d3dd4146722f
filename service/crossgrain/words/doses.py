"""Plain words for dates, doses and tablets, as a patient or a prescriber reads them."""

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from fractions import Fraction

from crossgrain.core.judge import by_date
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.dosing.steps import LineDose
from crossgrain.dosing.tablets import SHARED_WEEK, Piece
from crossgrain.dosing.targets import Target
from crossgrain.names import printing
from crossgrain.reading.record import MedicineEntry


def in_words(orders: Sequence[MedicineEntry]) -> str:
    """What is ordered, dose after dose; empty where no dose was read."""
    if not any(order.lines for order in orders):
        return ""
    return ", then ".join(dict.fromkeys(taken(dose) for _, dose in by_date(orders)))


CAUTION = "A proposal for the licensed prescriber, who decides; local rules and labels come first."

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
TIMES_OF_DAY = {
    1: ("in the morning",),
    2: ("in the morning", "at bedtime"),  # ETA 2012, from memory
    3: ("in the morning", "in the afternoon", "at bedtime"),  # our judgement: some 8 hours apart
}
"""When the day's doses are taken, by how many there are."""
_QUARTERS = ("", " and a quarter", " and a half", " and three quarters")
_PART_OF_ONE = ("", "a quarter of a tablet", "half a tablet", "three quarters of a tablet")


def date_words(day: date) -> str:
    """A date that reads the same on both sides of an ocean.

    >>> date_words(date(2024, 5, 1))
    '1 May 2024'
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


DateWords = Callable[[date], str]
"""How a document writes a date; `date_words` where it has no locale."""

TARGET_WORDS = {
    Target.LEVOTHYROXINE: "levothyroxine",
    Target.LIOTHYRONINE: "liothyronine",
    Target.DESICCATED_THYROID: "desiccated thyroid",
    Target.LT4_LT3: "levothyroxine with liothyronine",
    Target.DESICCATED_LT3: "desiccated thyroid with liothyronine",
}


def tablets(count: Fraction) -> str:
    """So many tablets, in words that cannot be misread as a decimal.

    Raises
    ------
    ValueError
        for a part finer than a quarter: no tablet is cut so.

    Examples
    --------

    >>> tablets(Fraction(3, 2))
    '1 and a half tablets'
    """
    parts, finer = divmod(count.numerator * 4, count.denominator)
    if finer:
        raise ValueError(f"{count} tablets cannot be cut")
    whole, quarters = divmod(parts, 4)
    if not whole:
        return _PART_OF_ONE[quarters]
    return f"{whole}{_QUARTERS[quarters]} tablet{'' if (whole, quarters) == (1, 0) else 's'}"


def amount(preparation: Preparation, value: Fraction) -> str:
    """An amount in the preparation's unit.

    A fixed-ratio product is named by both its hormones.
    """
    if preparation.kind is Kind.FIXED_RATIO:
        both = map(printing.amount, (preparation.t4_ug(value), preparation.t3_ug(value)))
        return f"{'/'.join(both)} {printing.unit_word(preparation.unit, value)}"
    return printing.quantity(value, preparation.unit)


def product(preparation: Preparation, strength: Fraction) -> str:
    """One product, by generic name and strength: ``levothyroxine sodium 100 microgram tablet``."""
    words = amount(preparation, strength).removesuffix("s")
    return f"{preparation.generic_name} {words} tablet"


def daily_dose(line: LineDose) -> str:
    """A medicine and the dose of a day."""
    return f"{line.preparation.generic_name} {amount(line.preparation, line.amount)} a day"


def pieces(line: LineDose) -> str:
    """The tablets of one day, or that the old supply goes on, or why there are none."""
    if line.tablets is None:
        return line.note or "as taken now"
    if line.week:
        return ", ".join(
            f"{_pieces(line.preparation, taken.pieces)} on {weekday_words(days)}"
            for taken, days in zip(line.week, SHARED_WEEK, strict=True)
        )
    return _pieces(line.preparation, line.tablets.pieces)


def weekday_words(days: Iterable[int]) -> str:
    """Days of the week, Monday the first.

    >>> weekday_words((1, 3, 5))
    'Tuesday, Thursday and Saturday'
    """
    *named, last = (WEEKDAYS[day] for day in days)
    return f"{', '.join(named)} and {last}" if named else last


def _pieces(preparation: Preparation, counted: Iterable[Piece]) -> str:
    return " and ".join(
        f"{tablets(piece.count)} of {amount(preparation, piece.strength)}" for piece in counted
    )


def tablets_a_day(line: LineDose) -> str:
    """The tablets of one day, and in how many doses they are taken."""
    if line.times:
        when = TIMES_OF_DAY[len(line.times)]
        return ", ".join(
            f"{_pieces(line.preparation, taken.pieces)} {at}"
            for taken, at in zip(line.times, when, strict=True)
        )
    split = "" if line.doses_per_day == 1 else f", in {line.doses_per_day} equal doses"
    return pieces(line) + split


def taken(lines: Iterable[DoseLine]) -> str:
    """What a patient takes now, one dose per medicine; the mean where days differ."""
    medicines: dict[str, list[DoseLine]] = {}
    for line in lines:
        medicines.setdefault(line.preparation.id, []).append(line)
    return " and ".join(map(_taken, medicines.values()))


def _taken(lines: list[DoseLine]) -> str:
    preparation = lines[0].preparation
    daily = sum((line.daily for line in lines), Fraction(0))
    mean = "" if all(len(set(line.cycle)) == 1 for line in lines) else " on average"
    return f"{preparation.generic_name} {amount(preparation, daily)} a day{mean}"
