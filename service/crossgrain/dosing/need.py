"""Coverage of what is needed, where today's dose is too little or too much.

With a need of n the old regimen is imagined to change to n times its dose on day one, and what its
pools would then be is what is needed, day by day. It begins at 1 on day 0, like the patient, and
comes close to n within weeks. Coverage of need is the patient's pools over these, both weighed by
one basis; coverage of the old regimen is the same over pools that never change.
"""

from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import pairwise
from math import exp, log

from crossgrain.dosing.bases import Basis, Weights
from crossgrain.dosing.forecast import PoolCourse
from crossgrain.dosing.kinetics import (
    Curve,
    Intake,
    Kinetics,
    PoolWeights,
    steady,
    weighed,
)
from crossgrain.dosing.plan import BasisCoverage, Extreme
from crossgrain.dosing.taper import TIE, Problem
from crossgrain.dosing.taper_coverage import Point, State, TaperCoverage

UNCHANGED = Fraction(1)
"""The need of a patient who is well served by today's dose, or of whom no result tells."""
_HALVINGS = 52
"""How often an interval is halved in which a ratio turns: to the last digit of a float."""


def needed(old: Intake, need: float, per_pool: PoolWeights) -> Curve:
    """What is needed from day 0 on, on one basis, as a part of what the old regimen sustained."""
    moved = Intake(*(need * amount for amount in old))
    return weighed(steady(old), moved, per_pool)


def later(kinetics: Kinetics, curve: Curve, days: float) -> Curve:
    """The same curve as seen from so many days later."""
    return Curve(
        curve.level,
        curve.slow * exp(-days / kinetics.t4_tau),
        curve.fast * exp(-days / kinetics.t3_tau),
    )


def turns(power: float, over: Curve, under: Curve, end: float) -> list[float]:
    """Where the ratio of two curves turns within a segment, as the decay of T4 since it began.

    With u = E4(t), which falls from 1 to `end`, and E3 = u^p, the ratio (A + Bu + Cu^p) /
    (n + au + bu^p) turns where g(u) = (Bn - Aa) + p(Cn - Ab)u^(p-1) + (p-1)(Ca - Bb)u^p is 0. That
    itself turns once, at u = -β(p-1)/(γp) of its second and third factor, so that on each side of
    it there is at most one zero, and halving finds it. `power` is p, τ4 over τ3.
    """
    alpha = over.slow * under.level - over.level * under.slow
    beta = power * (over.fast * under.level - over.level * under.fast)
    gamma = (power - 1) * (over.fast * under.slow - over.slow * under.fast)

    def slope(u: float) -> float:
        return alpha + (beta + gamma * u) * float(u ** (power - 1))

    ends = [end, 1.0]
    if gamma and end < (middle := -beta * (power - 1) / (gamma * power)) < 1:
        ends.insert(1, middle)
    return [_zero(slope, low, high) for low, high in pairwise(ends) if slope(low) * slope(high) < 0]


def _zero(slope: Callable[[float], float], low: float, high: float) -> float:
    rises = slope(high) > 0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if (slope(middle) > 0) is rises:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def coverage_of_need(
    followed: PoolCourse,
    basis: Basis,
    weights: Weights,
    per_pool: PoolWeights,
    old: Intake,
    need: float,
    since_day_one: float = 0.0,
) -> BasisCoverage:
    """Lowest, highest and last coverage of need on one basis; of equal values the earliest day
    counts.

    `since_day_one` is the days from day one, when the need begins to count, to the start of
    `followed`.
    """
    kinetics = followed.kinetics
    power = kinetics.t4_tau / kinetics.t3_tau
    wanted = needed(old, need, per_pool)
    points: list[tuple[float, float]] = []
    for day, period, pools in followed.segments():
        over = weighed(pools, period.intake, per_pool)
        under = later(kinetics, wanted, since_day_one + day)
        turning = turns(power, over, under, exp(-period.days / kinetics.t4_tau))
        inside = sorted(-kinetics.t4_tau * log(u) for u in turning)
        points += [
            (over.at(kinetics, days) / under.at(kinetics, days), day + days)
            for days in (0.0, *inside, period.days)
        ]
    lowest = min(points)
    highest = max(points, key=lambda point: (point[0], -point[1]))
    return BasisCoverage(
        basis.id, Extreme(*lowest), Extreme(*highest), points[-1][0], weights.secant
    )


class _NeededPoint(Point):
    """A point by coverage of need, with the same point by coverage of the old regimen."""

    __slots__ = ("of_old",)

    def __init__(self, of_old: Point, lowest: float, highest: float) -> None:
        super().__init__(of_old.state, lowest, highest)
        self.of_old = of_old


class NeededCoverage(TaperCoverage):
    """Coverage of need along every taper of one problem that begins at the old regimen.

    The guard is on coverage of the old regimen, of which it is known that more was too little or as
    much was too much; where less is needed it is on coverage of that.
    """

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self._guard = 0.0
        self.begin: Point = _NeededPoint(self.begin, self.begin.lowest, self.begin.highest)

    def guarded(self, guard: float) -> float:
        """The floor under coverage of need that the guard comes to, where most is needed."""
        need = self._problem.need
        self._guard = guard if need > 1 else 0.0
        self.begin = _NeededPoint(Point(self._start, 1.0, 1.0), 1.0, 1.0)
        return guard / max(1.0, need)

    def through(self, number: int, level: int, before: Point) -> Point:
        """Take one level through one segment."""
        assert isinstance(before, _NeededPoint)
        of_old = before.of_old.after.get(level) or super().through(number, level, before.of_old)
        passed = list(self._passed(number, level, before.state, of_old.state))
        lowest, highest = min(before.lowest, *passed), max(before.highest, *passed)
        if of_old.lowest < self._guard * (1 - TIE):
            lowest = 0.0
        point = before.after[level] = _NeededPoint(of_old, lowest, highest)
        return point

    def _passed(self, number: int, level: int, state: State, ends: State) -> Iterator[float]:
        """Coverage of need at the end of a segment and where it turns within, on every basis."""
        leg = self.legs[number]
        for place, (new_slow, new_fast) in enumerate(leg.tends):
            (slow, fast), (old_slow, old_fast) = state[place], self.levels[level][place]
            tends_slow, tends_fast = new_slow + old_slow, new_fast + old_fast
            yield sum(ends[place]) / self.needs[number][place]
            over = Curve(tends_slow + tends_fast, slow - tends_slow, fast - tends_fast)
            under = self._wanted[number][place]
            for u in turns(self._turn_scale, over, under, leg.e4):
                yield _at(over, u, self._turn_scale) / _at(under, u, self._turn_scale)

    def _needs(self) -> tuple[tuple[float, ...], ...]:
        need = self._problem.need
        wanted = [
            Curve(need * (slow + fast), (1 - need) * slow, (1 - need) * fast)
            for slow, fast in self._start
        ]
        self._wanted: list[list[Curve]] = []
        """What is needed from the beginning of each segment on, on each basis."""
        ends = []
        for leg in self.legs:
            self._wanted.append(wanted)
            wanted = [Curve(c.level, c.slow * leg.e4, c.fast * leg.e3) for c in wanted]
            ends.append(tuple(map(sum, wanted)))
        return tuple(ends)


def _at(curve: Curve, u: float, power: float) -> float:
    return curve.level + curve.slow * u + curve.fast * float(u**power)
