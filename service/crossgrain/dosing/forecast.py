"""What the model predicts for a course of treatment: coverage, T3 exposure, the T4 pool.

Coverage on a basis is the weighed sum of the pools over that of the old regimen at steady
state; at steady state it equals the ratio of that basis' chart. T3 exposure is the whole T3
pool over the old regimen's. Every extreme is found in closed form, segment by segment.
"""

from collections.abc import Iterable, Iterator
from math import ceil, exp, log
from operator import itemgetter

from crossgrain.dosing.bases import Basis, Weights
from crossgrain.dosing.kinetics import (
    ConstantIntake,
    Curve,
    Intake,
    Kinetics,
    Pools,
    PoolWeights,
    after,
    steady,
    t3_curve,
    weighed,
)
from crossgrain.dosing.plan import BasisCoverage, Extreme
from crossgrain.names.values import frozen


@frozen
class PoolCourse:
    """Consecutive periods, with the pools at the start of each.

    `starts` has one more entry than `periods`: the pools at the end.
    """

    kinetics: Kinetics
    periods: tuple[ConstantIntake, ...]
    starts: tuple[Pools, ...]

    def segments(self) -> Iterator[tuple[float, ConstantIntake, Pools]]:
        """First day, period and starting pools of each."""
        day = 0.0
        for period, pools in zip(self.periods, self.starts, strict=False):
            yield day, period, pools
            day += period.days


def course(kinetics: Kinetics, start: Pools, periods: Iterable[ConstantIntake]) -> PoolCourse:
    """Follow the pools through the periods."""
    listed = tuple(periods)
    starts = [start]
    for period in listed:
        starts.append(after(kinetics, starts[-1], period.intake, period.days))
    return PoolCourse(kinetics, listed, tuple(starts))


def coverage_weights(weights: Weights, old: Intake) -> PoolWeights:
    """The weights that turn pools into coverage of the old regimen on one basis.

    T4 weighs 1, LT3 k, T3 in desiccated thyroid (w - 38)/9, all over the old regimen's sum.
    """
    k = float(weights.lt4_ug_per_lt3_ug)
    v = float(weights.lt4_ug_per_desiccated_t3_ug)
    worth = old.t4_ug + k * old.lt3_ug + v * old.desiccated_t3_ug
    return PoolWeights(1 / worth, k / worth, v / worth)


def coverage_extremes(
    followed: PoolCourse, basis: Basis, weights: Weights, per_pool: PoolWeights
) -> BasisCoverage:
    """Lowest, highest and last coverage on one basis."""
    curves = (
        (day, period.days, weighed(pools, period.intake, per_pool))
        for day, period, pools in followed.segments()
    )
    lowest, highest = _extremes(followed.kinetics, curves)
    return BasisCoverage(
        basis.id, lowest, highest, _covered(followed.starts[-1], per_pool), weights.secant
    )


def t3_extremes(followed: PoolCourse, old: Intake) -> tuple[Extreme, Extreme]:
    """Lowest and highest T3 exposure: the whole T3 pool over the old regimen's."""
    before = followed.kinetics.t3_total(steady(old))
    curves = (
        (day, period.days, _scaled(t3_curve(followed.kinetics, pools, period.intake), before))
        for day, period, pools in followed.segments()
    )
    return _extremes(followed.kinetics, curves)


def t4_extremes(followed: PoolCourse, old: Intake) -> tuple[Extreme, Extreme] | None:
    """Lowest and highest T4 pool over the old one; ``None`` where the old held none."""
    if not old.t4_ug:
        return None
    curves = (
        (
            day,
            period.days,
            Curve(period.intake.t4_ug / old.t4_ug, (pools.t4 - period.intake.t4_ug) / old.t4_ug, 0),
        )
        for day, period, pools in followed.segments()
    )
    return _extremes(followed.kinetics, curves)


def steady_day(followed: PoolCourse, old: Intake, within: float) -> int:
    """The first whole day from which both pools stay within a part of their last level.

    The part is of the larger of the old level and the last, or, where both are nothing, of
    what is there when the last period begins. Only the last period counts: a plan is not at
    steady state while its doses still change.
    """
    kinetics = followed.kinetics
    *_, (day, period, pools) = followed.segments()
    t4 = Curve(period.intake.t4_ug, pools.t4 - period.intake.t4_ug, 0.0)
    t3 = t3_curve(kinetics, pools, period.intake)
    old_t3 = kinetics.t3_total(steady(old))
    settled = max(
        _settled(kinetics, curve, within * (max(before, curve.level) or curve.at(kinetics, 0)))
        for curve, before in ((t4, old.t4_ug), (t3, old_t3))
    )
    return ceil(day + settled)


def _covered(pools: Pools, weights: PoolWeights) -> float:
    return (
        weights.t4 * pools.t4
        + weights.lt3 * pools.lt3
        + weights.desiccated_t3 * pools.desiccated_t3
    )


def _scaled(curve: Curve, by: float) -> Curve:
    return Curve(curve.level / by, curve.slow / by, curve.fast / by)


def _extremes(
    kinetics: Kinetics, curves: Iterable[tuple[float, float, Curve]]
) -> tuple[Extreme, Extreme]:
    """Lowest and highest over curves given with their first day and length; earliest wins."""
    points: list[tuple[float, float]] = []  # by day
    for day, days, curve in curves:
        points.append((curve.level + curve.slow + curve.fast, day))
        turn = curve.turning_day(kinetics)
        if turn is not None and turn < days:
            points.append((curve.at(kinetics, turn), day + turn))
    points.append((curve.at(kinetics, days), day + days))  # where one ends the next begins
    value = itemgetter(0)
    return Extreme(*min(points, key=value)), Extreme(*max(points, key=value))


def _settled(kinetics: Kinetics, curve: Curve, band: float) -> float:
    """The time from which a curve stays within `band` of its level, days.

    Past its turning day a curve only nears its level, so one bisection finds the time.
    """

    def outside(days: float) -> bool:
        return abs(curve.at(kinetics, days) - curve.level) > band

    turn = curve.turning_day(kinetics) or 0.0
    if outside(turn):
        size = abs(curve.slow) * exp(-turn / kinetics.t4_tau) + abs(curve.fast)
        low, high = turn, turn + kinetics.t4_tau * log(size / band)
        if not curve.fast:
            return high  # what decays at one rate alone is within the band on that very day
    elif outside(0.0):
        low, high = 0.0, turn
    else:
        return 0.0
    while high - low > 0.01:
        middle = (low + high) / 2
        low, high = (middle, high) if outside(middle) else (low, middle)
    return high
