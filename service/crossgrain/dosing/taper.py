"""The taper of the old medicine that hedges best over charts that disagree.

Nobody knows which chart is right for this patient. So among the orderable doses of the old
medicine that never rise, the taper is chosen whose worst |ln coverage| over the enabled bases
is smallest; among equals the one with the smallest sum of (ln coverage)² at segment ends and
turning points; among those the one with the fewest changes.

The search is exact. It prunes on what has already happened (a prefix's worst only grows) and
on monotony: coverage rises with every old dose, and old doses never rise, so that what a
later segment can still reach lies between two known tapers.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, inf, log
from typing import NamedTuple

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools

TIE = 1e-9
"""Worst values closer than this count as equal, and so do sums."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A period in which the new medicine is constant and the old one is chosen once.

    `t3_room_ug` is the most T3 that the old medicine may carry in it, µg per day. Where it
    `may_change` not, the choice of the segment before stands.
    """

    days: float
    new: Intake
    t3_room_ug: float = inf
    may_change: bool = True


@dataclass(frozen=True, slots=True)
class Problem:
    """What the taper is chosen for.

    Attributes
    ----------
    start : the pools on day 0 of the problem
    segments : in order; the last one is the hold
    old : the intakes of the old medicine to choose from, the first of them the largest in
        every medicine
    after : for each of them the choices that may follow it: itself and lower ones
    first : the choices open in the first segment
    last : the choices open in the last segment
    weights : one per basis, each divided by the LT4-equivalent of the regimen compared with,
        so that a weighed sum of pools is coverage on that basis
    """

    kinetics: Kinetics
    start: Pools
    segments: tuple[Segment, ...]
    old: tuple[Intake, ...]
    after: tuple[tuple[int, ...], ...]
    first: tuple[int, ...]
    last: frozenset[int]
    weights: tuple[Intake, ...]


_Coverage = tuple[tuple[float, float], ...]
"""Coverage on each basis, in its slow (T4) and its fast (T3) part; their sum is coverage."""


class _Course(NamedTuple):
    """One segment: its decay, and per choice where coverage tends and whether it is open."""

    e4: float
    e3: float
    tends: tuple[_Coverage, ...]
    is_open: tuple[bool, ...]


def best_taper(problem: Problem) -> tuple[int, ...]:
    """The index into `problem.old` to take in each segment.

    Raises
    ------
    ValueError
        where the T3 limits leave no choice in some segment.
    """
    return _Search(problem).run()


def _changes(choices: Sequence[int]) -> int:
    return sum(a != b for a, b in pairwise(choices))


class _Search:
    """One search: first the smallest worst value, then the best of all that reach it."""

    def __init__(self, problem: Problem) -> None:
        kinetics = problem.kinetics
        self.problem = problem
        start = problem.start
        self.start = self._weigh(Intake(start.t4, start.lt3, start.desiccated_t3))
        self.turn_scale = kinetics.t4_tau / kinetics.t3_tau
        self.turn_power = -1 / (self.turn_scale - 1)
        self.courses = self._courses()
        self.worst_ahead = self._worst_ahead()
        self.least_worst = inf
        self.least_squares = inf
        self.found: list[tuple[float, int, tuple[int, ...]]] = []

    def run(self) -> tuple[int, ...]:
        self._descend_to_worst(0, self.start, self.problem.first, 0.0)
        if self.least_worst == inf:
            raise ValueError("no taper fits the T3 limits")
        self._descend_to_squares(0, self.start, self.problem.first, 0.0, ())
        near = [taper for taper in self.found if taper[0] <= self.least_squares + TIE]
        return min(near, key=lambda taper: taper[1:])[2]

    def through(
        self, number: int, choice: int, before: _Coverage, limit: float = inf
    ) -> tuple[_Coverage, float, float]:
        """Take one choice through one segment.

        Returns coverage at its end, its worst |ln coverage| and its sum of squares; gives up
        with infinities once the worst passes `limit`.
        """
        course = self.courses[number]
        e4, e3 = course.e4, course.e3
        ends = []
        worst = squares = 0.0
        for (slow, fast), (tends_slow, tends_fast) in zip(
            before, course.tends[choice], strict=True
        ):
            slow_away, fast_away = slow - tends_slow, fast - tends_fast
            end = (tends_slow + slow_away * e4, tends_fast + fast_away * e3)
            ends.append(end)
            coverage = end[0] + end[1]
            if coverage <= 0:
                return (), inf, inf
            size = log(coverage)
            squares += size * size
            size = abs(size)
            if slow_away * fast_away < 0:
                # Same turning day as kinetics.Curve.turning_day, without taking a logarithm.
                ratio = -fast_away / slow_away * self.turn_scale
                if ratio > 1 and ratio * e3 < e4:
                    turn4 = ratio**self.turn_power
                    level = tends_slow + tends_fast
                    turn = log(level + slow_away * turn4 + fast_away * turn4 / ratio)
                    squares += turn * turn
                    size = max(size, abs(turn))
            if size > worst:
                worst = size
                if worst > limit:
                    return (), inf, inf
        return tuple(ends), worst, squares

    def _descend_to_worst(
        self, number: int, state: _Coverage, choices: tuple[int, ...], so_far: float
    ) -> None:
        children = []
        for choice in choices:
            if self.courses[number].is_open[choice]:
                end, worst, squares = self.through(number, choice, state, self.least_worst)
                worst = max(so_far, worst)
                bound = max(worst, self.worst_ahead[number][choice])
                if bound < self.least_worst:
                    children.append((bound, squares, choice, end, worst))
        children.sort()
        for bound, _, choice, end, worst in children:
            if bound >= self.least_worst:
                break
            if number == len(self.courses) - 1:
                self.least_worst = worst
            else:
                self._descend_to_worst(number + 1, end, self._next(number, choice), worst)

    def _descend_to_squares(
        self,
        number: int,
        state: _Coverage,
        choices: tuple[int, ...],
        so_far: float,
        taken: tuple[int, ...],
    ) -> None:
        limit = self.least_worst + TIE
        children = []
        for choice in choices:
            if self.courses[number].is_open[choice] and self.worst_ahead[number][choice] <= limit:
                end, worst, squares = self.through(number, choice, state, limit)
                if worst <= limit:
                    children.append((so_far + squares, choice, end))
        children.sort()
        for squares, choice, end in children:
            if squares > self.least_squares + TIE:
                break
            path = (*taken, choice)
            if number == len(self.courses) - 1:
                self.least_squares = min(self.least_squares, squares)
                self.found.append((squares, _changes(path), path))
            else:
                after = self._next(number, choice)
                self._descend_to_squares(number + 1, end, after, squares, path)

    def _next(self, number: int, choice: int) -> tuple[int, ...]:
        """The choices open in the segment after this one."""
        if self.problem.segments[number + 1].may_change:
            return self.problem.after[choice]
        return (choice,)

    def _courses(self) -> tuple[_Course, ...]:
        problem, final = self.problem, len(self.problem.segments) - 1
        return tuple(
            _Course(
                exp(-segment.days / problem.kinetics.t4_tau),
                exp(-segment.days / problem.kinetics.t3_tau),
                tuple(self._weigh(_sum(old, segment.new)) for old in problem.old),
                tuple(
                    old.lt3_ug + old.desiccated_t3_ug <= segment.t3_room_ug + TIE
                    and (number != final or choice in problem.last)
                    for choice, old in enumerate(problem.old)
                ),
            )
            for number, segment in enumerate(problem.segments)
        )

    def _worst_ahead(self) -> list[list[float]]:
        """For each segment and the choice taken in it: the least worst value still to come.

        A segment that takes a choice ends between having taken it all along and having taken
        the most until then.
        """
        problem = self.problem
        choices = range(len(problem.old))
        ahead = [[0.0 for _ in choices]]
        later = range(len(problem.segments) - 1, 0, -1)
        if not later:
            return ahead
        low = [self._ends(choice, choice) for choice in choices]
        high = [self._ends(0, choice) for choice in choices]
        for number in later:
            here = [
                max(_least_worst_between(low[c][number], high[c][number]), ahead[-1][c])
                if self.courses[number].is_open[c]
                else inf
                for c in choices
            ]
            if problem.segments[number].may_change:
                here = [min(here[c] for c in problem.after[choice]) for choice in choices]
            ahead.append(here)
        return ahead[::-1]

    def _ends(self, before: int, last: int) -> list[list[float]]:
        """Coverage per basis at each segment's end, had the choice been `before`, then `last`."""
        state, ends = self.start, []
        for course in self.courses:
            ends.append([slow + fast for slow, fast in _relax(state, course, last)])
            state = _relax(state, course, before)
        return ends

    def _weigh(self, amounts: Intake) -> _Coverage:
        """Pools or intake as coverage on each basis."""
        t4_ug, lt3_ug, desiccated_t3_ug = amounts
        return tuple(
            (w4 * t4_ug, wl * lt3_ug + wd * desiccated_t3_ug) for w4, wl, wd in self.problem.weights
        )


def _least_worst_between(low: Sequence[float], high: Sequence[float]) -> float:
    """The least that the worst |ln coverage| can be, for coverage between two."""
    least = 0.0
    for lower, upper in zip(low, high, strict=True):
        if upper < 1:
            least = max(least, -log(upper) if upper > 0 else inf)
        elif lower > 1:
            least = max(least, log(lower))
    return least


def _sum(a: Intake, b: Intake) -> Intake:
    return Intake(a[0] + b[0], a[1] + b[1], a[2] + b[2])


def _relax(state: _Coverage, course: _Course, choice: int) -> _Coverage:
    e4, e3 = course.e4, course.e3
    return tuple(
        (tends_slow + (slow - tends_slow) * e4, tends_fast + (fast - tends_fast) * e3)
        for (slow, fast), (tends_slow, tends_fast) in zip(state, course.tends[choice], strict=True)
    )
