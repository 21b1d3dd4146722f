"""TSH before and after a switch, each against its own range."""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from crossgrain.safety.facts import Measurement
from crossgrain.safety.results import is_above, is_below
from crossgrain.screening.course import TakingHistory
from crossgrain.screening.limits import Limits
from crossgrain.screening.switches import Switch


class ResultLevel(StrEnum):
    """Where a result lies; `UNCLEAR` where its comparator leaves that open."""

    LOW = "low"
    IN_RANGE = "in-range"
    HIGH = "high"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class LimitsOfNormal:
    """A reference range; `acceptable` is its upper end with the patient's age considered."""

    low: Fraction
    high: Fraction
    acceptable: Fraction

    @property
    def middle(self) -> Fraction:
        """Its mid-point."""
        return (self.low + self.high) / 2


@dataclass(frozen=True, slots=True)
class Bloods:
    """The results that a switch is judged by.

    Attributes
    ----------
    before : the baseline, the last one up to the day of the switch
    after : everything since, oldest first
    settled : those of `after` that speak of the present dose
    """

    before: Measurement | None
    after: tuple[Measurement, ...]
    settled: tuple[Measurement, ...]


def bloods_around(switch: Switch, results: tuple[Measurement, ...], limits: Limits) -> Bloods:
    """The final, dated results around a switch.

    Of several on one day the highest value stands last, so that one day gives one answer.
    """
    usable = [(m.day, m.value, m) for m in results if m.day is not None and not m.preliminary]
    ordered = sorted(usable, key=lambda each: (each[0], each[1], each[2].origin))
    oldest = switch.day - limits.labs_baseline_days
    settled_from = switch.present.first_day + limits.labs_settled_days
    before = [m for day, _, m in ordered if oldest <= day <= switch.day]
    return Bloods(
        before=before[-1] if before else None,
        after=tuple(m for day, _, m in ordered if switch.day < day <= 0),
        settled=tuple(m for day, _, m in ordered if settled_from <= day <= 0),
    )


def tsh_range(measurement: Measurement, course: TakingHistory, limits: Limits) -> LimitsOfNormal:
    """The laboratory's own range, or ours; in the old a higher TSH is acceptable."""
    low = limits.tsh_low if measurement.low is None else measurement.low
    high = limits.tsh_high if measurement.high is None else measurement.high
    older = course.age_years is not None and course.age_years >= limits.tsh_older_years
    return LimitsOfNormal(low, high, max(high, limits.tsh_older_high) if older else high)


def level(measurement: Measurement, within: LimitsOfNormal) -> ResultLevel:
    """Where a result lies in its range.

    Examples
    --------
    >>> from crossgrain.safety.facts import Analyte
    >>> usual = LimitsOfNormal(Fraction("0.4"), Fraction(4), Fraction(4))
    >>> level(Measurement(Analyte.TSH, Fraction(4), -1, ""), usual)
    <ResultLevel.IN_RANGE: 'in-range'>
    >>> level(Measurement(Analyte.TSH, Fraction(5), -1, "", comparator="<"), usual)
    <ResultLevel.UNCLEAR: 'unclear'>
    """
    if is_above(measurement, within.acceptable):
        return ResultLevel.HIGH
    if is_below(measurement, within.low):
        return ResultLevel.LOW
    return ResultLevel.UNCLEAR if measurement.comparator else ResultLevel.IN_RANGE


def rose(before: Measurement, after: Measurement, within: LimitsOfNormal, limits: Limits) -> bool:
    """Whether TSH is certainly up by half or more, and above mid-range."""
    if before.comparator in {">", ">="} or after.comparator in {"<", "<="}:
        return False
    by_half = after.value >= limits.change_up * before.value
    return by_half and after.value > within.middle


def fell(before: Measurement, after: Measurement, within: LimitsOfNormal, limits: Limits) -> bool:
    """Whether TSH is certainly down to half or less, and below mid-range."""
    if before.comparator in {"<", "<="} or after.comparator in {">", ">="}:
        return False
    to_half = after.value <= limits.change_down * before.value
    return to_half and after.value < within.middle
