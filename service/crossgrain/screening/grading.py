"""How urgent a switch is, by the labs since and by who was switched.

===============================================  ===========
a TSH on the present dose in range, the latest   cleared
TSH beyond its range before the switch already   unresolved
in range before, and the first TSH on the
present dose beyond its range                    confirmed
the ratio off on every basis, or TSH moved by
half and past mid-range                          likely
the ratio off on any basis                       suspected
===============================================  ===========
"""

from collections.abc import Mapping
from enum import StrEnum
from fractions import Fraction

from crossgrain.names.values import frozen
from crossgrain.safety.facts import Measurement
from crossgrain.safety.results import is_above, is_below
from crossgrain.screening.course import Aim, FlagGrade, TakingHistory
from crossgrain.screening.limits import Limits
from crossgrain.screening.switches import T3_KINDS, Switch


class ResultLevel(StrEnum):
    """Where a result lies; `UNCLEAR` where its comparator leaves that open."""

    LOW = "low"
    IN_RANGE = "in-range"
    HIGH = "high"
    UNCLEAR = "unclear"


@frozen
class LimitsOfNormal:
    """A reference range; `acceptable` is its upper end with the patient's age considered."""

    low: Fraction
    high: Fraction
    acceptable: Fraction

    @property
    def middle(self) -> Fraction:
        """Its mid-point."""
        return (self.low + self.high) / 2


@frozen
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


class Side(StrEnum):
    """Which way a dose is off."""

    UNDER = "under"
    OVER = "over"

    @property
    def tsh(self) -> ResultLevel:
        """Where TSH goes when the dose is off this way."""
        return ResultLevel.HIGH if self is Side.UNDER else ResultLevel.LOW


@frozen
class Weighed:
    """What the bloods say of one side.

    `before`, `first` and `last` are ``None`` where there is no result that may be weighed:
    the baseline, and the first and last on the present dose.
    """

    before: ResultLevel | None = None
    first: ResultLevel | None = None
    last: ResultLevel | None = None
    moved: bool = False


def off(ratio: Fraction, side: Side, limits: Limits) -> bool:
    """Whether a ratio is beyond the limit on that side; at the limit it is not."""
    return ratio < limits.ratio_under if side is Side.UNDER else ratio > limits.ratio_over


def grade(
    ratios: Mapping[str, Fraction], side: Side, bloods: Weighed, limits: Limits
) -> FlagGrade | None:
    """The grade of a switch whose ratio is off on some basis; ``None`` where TSH clears it."""
    if bloods.last not in {None, side.tsh, ResultLevel.UNCLEAR}:
        return None
    if bloods.before is side.tsh:
        return FlagGrade.UNRESOLVED
    if bloods.before is ResultLevel.IN_RANGE and bloods.first is side.tsh:
        return FlagGrade.CONFIRMED
    if bloods.moved or all(off(ratio, side, limits) for ratio in ratios.values()):
        return FlagGrade.LIKELY
    return FlagGrade.SUSPECTED


def weigh(
    switch: Switch, bloods: Bloods, side: Side, course: TakingHistory, limits: Limits
) -> Weighed:
    """What the bloods say, with what sets this patient apart considered.

    In central hypothyroidism TSH is no guide: free T4 is weighed by the laboratory's own
    range, and not even that where T3 is swallowed, which lowers it. With a goal of suppression
    a TSH in range or below it clears nothing and confirms no excess. In pregnancy only what
    holds in every trimester counts.
    """
    if Aim.CENTRAL in course.aims and switch.present.kinds & T3_KINDS:
        return Weighed()
    before, settled = bloods.before, bloods.settled
    first = _level(settled[0], course, limits) if settled else None
    last = _level(settled[-1], course, limits) if settled else None
    weighed = Weighed(
        before=_level(before, course, limits, settled=False) if before else None,
        first=first,
        last=last,
        moved=bool(before and bloods.after and _moved(before, bloods, side, course, limits)),
    )
    return _for_suppression(weighed, side) if Aim.SUPPRESSION in course.aims else weighed


def _for_suppression(weighed: Weighed, side: Side) -> Weighed:
    if side is Side.OVER:
        return Weighed()
    high = ResultLevel.HIGH
    return Weighed(
        weighed.before,
        weighed.first if weighed.first is high else None,
        weighed.last if weighed.last is high else None,
        weighed.moved,
    )


def _level(
    measurement: Measurement, course: TakingHistory, limits: Limits, *, settled: bool = True
) -> ResultLevel | None:
    if Aim.CENTRAL in course.aims:
        return _free_t4_level(measurement)
    if Aim.PREGNANCY in course.aims and settled:
        return _level_in_pregnancy(measurement, limits)
    return level(measurement, tsh_range(measurement, course, limits))


def _free_t4_level(measurement: Measurement) -> ResultLevel | None:
    """Where TSH would stand: a low free T4 speaks as a high TSH does."""
    if measurement.low is None or measurement.high is None:
        return None
    found = level(measurement, LimitsOfNormal(measurement.low, measurement.high, measurement.high))
    return {ResultLevel.LOW: ResultLevel.HIGH, ResultLevel.HIGH: ResultLevel.LOW}.get(found, found)


def _level_in_pregnancy(measurement: Measurement, limits: Limits) -> ResultLevel:
    """What holds in every trimester; what holds in some alone is unclear."""
    high, surely_high = limits.pregnant_high_in_some, limits.pregnant_high_in_each
    found = level(measurement, LimitsOfNormal(limits.pregnant_low_in_some, high, surely_high))
    if found is ResultLevel.LOW:
        surely = LimitsOfNormal(limits.pregnant_low_in_each, high, surely_high)
        return (
            ResultLevel.LOW
            if level(measurement, surely) is ResultLevel.LOW
            else ResultLevel.UNCLEAR
        )
    within = measurement.value <= high
    return found if found is ResultLevel.HIGH or within else ResultLevel.UNCLEAR


def _moved(
    before: Measurement, bloods: Bloods, side: Side, course: TakingHistory, limits: Limits
) -> bool:
    if Aim.CENTRAL in course.aims:
        return False
    latest = bloods.after[-1]
    within = tsh_range(latest, course, limits)
    change = rose if side is Side.UNDER else fell
    return change(before, latest, within, limits)
