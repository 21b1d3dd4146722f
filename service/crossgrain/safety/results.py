"""Reading laboratory results with their comparators, dates and ranges."""

from collections.abc import Iterable
from fractions import Fraction

from crossgrain.names.printing import decimal
from crossgrain.safety.facts import Analyte, Facts, Measurement


def of(facts: Facts, analyte: Analyte) -> tuple[Measurement, ...]:
    """Every result of one analyte."""
    return tuple(m for m in facts.measurements or () if m.analyte is analyte)


def is_fresh(measurement: Measurement, days: Fraction) -> bool:
    """A final result dated within so many days before the record is read."""
    return (
        not measurement.preliminary
        and measurement.day is not None
        and -days <= measurement.day <= 0
    )


def latest(facts: Facts, analyte: Analyte, fresh_days: Fraction) -> tuple[Measurement, ...]:
    """The results that may be the patient's latest, so that a rule can take the worst.

    Those of the last day with a final result, anything preliminary since, and, where no
    final result is fresh, whatever carries no usable date.
    """
    results = of(facts, analyte)
    finals = [m.day for m in results if m.day is not None and not m.preliminary]
    since = max(finals, default=None)
    fresh = any(is_fresh(m, fresh_days) for m in results)
    return tuple(
        m for m in results if (not fresh if m.day is None else since is None or m.day >= since)
    )


def is_below(measurement: Measurement, limit: Fraction) -> bool:
    """Whether the result is certainly below `limit`.

    >>> tsh = Measurement(Analyte.TSH, Fraction("0.1"), -10, "", comparator="<")
    >>> is_below(tsh, Fraction("0.1"))
    True
    """
    match measurement.comparator:
        case "":
            return measurement.value < limit
        case "<":
            return measurement.value <= limit
        case "<=":
            return measurement.value < limit
        case _:
            return False


def is_above(measurement: Measurement, limit: Fraction) -> bool:
    """Whether the result is certainly above `limit`.

    >>> tsh = Measurement(Analyte.TSH, Fraction(100), -10, "", comparator=">")
    >>> is_above(tsh, Fraction(4))
    True
    """
    match measurement.comparator:
        case "":
            return measurement.value > limit
        case ">":
            return measurement.value >= limit
        case ">=":
            return measurement.value > limit
        case _:
            return False


def shown(measurements: Iterable[Measurement]) -> str:
    """Results as a reader expects them: ``<0.01 (12 days ago)``."""
    return ", ".join(f"{m.comparator}{decimal(m.value)} ({_age(m)})" for m in measurements)


def _age(measurement: Measurement) -> str:
    word = ago(measurement.day)
    return f"{word}, preliminary" if measurement.preliminary else word


def ago(day: int | None) -> str:
    """A day before that of reading, as it is said.

    >>> ago(-1)
    '1 day ago'
    """
    if day is None:
        return "undated"
    days = -day
    past = "1 day ago" if days == 1 else f"{days} days ago"
    return "today" if days == 0 else past if days > 0 else "dated ahead"
