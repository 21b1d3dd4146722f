"""How sure a flag is: the ratio on every basis, weighed with the bloods that follow.

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
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from crossgrain.safety.facts import Measurement
from crossgrain.screening.bloods import (
    Bloods,
    LimitsOfNormal,
    ResultLevel,
    fell,
    level,
    rose,
    tsh_range,
)
from crossgrain.screening.course import Aim, TakingHistory
from crossgrain.screening.flags import FlagGrade
from crossgrain.screening.limits import Limits
from crossgrain.screening.switches import T3_KINDS, Switch


class Side(StrEnum):
    """Which way a dose is off."""

    UNDER = "under"
    OVER = "over"

    @property
    def tsh(self) -> ResultLevel:
        """Where TSH goes when the dose is off this way."""
        return ResultLevel.HIGH if self is Side.UNDER else ResultLevel.LOW


@dataclass(frozen=True, slots=True)
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
