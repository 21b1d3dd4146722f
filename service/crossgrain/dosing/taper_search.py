"""The search for the old medicine's taper: exact over the doses and the days that are offered.

First the best is found: with no change of dose, then with one more each time, so that what few
changes achieve bounds what is worth looking for with more. Then the simple ones are gone through,
from the fewest strengths and the fewest changes upwards, until some come near enough to the best.

It rests on one fact: on every day coverage rises with every old dose. So a taper that is too low
somewhere stays too low when any of its doses is lowered, and one that is too high stays too high
when a fall is put off. One taper thus settles a whole family of them; and a single division tells
to which doses a fall may lead without leaving the limits.
"""

from collections.abc import Sequence
from math import exp, inf
from typing import NamedTuple

from crossgrain.dosing.need import NeededCoverage
from crossgrain.dosing.taper import EQUAL, TIE, Choice, Leaning, Problem, Taper
from crossgrain.dosing.taper_coverage import Point, TaperCoverage


def choose_taper(problem: Problem) -> Choice | None:
    """The simplest taper among the best, or ``None`` where the limits leave none at all."""
    search = _Search(problem)
    guarded = search.choose(problem.leaning.guard)
    return guarded or (search.choose(0.0) if problem.leaning.guard else None)


class _Limits:
    """Between which coverage a taper must stay, and the best that was found so far.

    Every better find narrows them to what is at most `step` worse: to what is better by `EQUAL`
    (a negative step) where only the best is sought, or to all that count as equal, among which the
    sum of squares decides.
    """

    def __init__(self, leaning: Leaning, floor: float, ceiling: float, step: float) -> None:
        self.leaning = leaning
        self.floor, self.ceiling = floor, ceiling
        self.step = step
        self.least = inf
        self.found: list[Taper] = []

    def take(self, taper: Taper) -> None:
        worst = self.leaning.worst(taper.lowest, taper.highest)
        if worst < self.least:
            self.least = worst
            bound = worst + self.step
            self.floor = max(self.floor, exp(-bound / self.leaning.below))
            self.ceiling = min(self.ceiling, exp(bound / self.leaning.above))
        self.found.append(taper)


class _Search:
    """One search over one problem."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.coverage = TaperCoverage(problem) if problem.need == 1 else NeededCoverage(problem)
        self.makes = {
            True: [level.whole for level in problem.levels],
            False: [level.kits for level in problem.levels],
        }
        self.is_chain = all(
            len(under) == len(problem.levels) - 1 - level
            for level, under in enumerate(problem.under)
        )
        self.affordable = {
            bought: sum(1 << kit for kit, more in enumerate(problem.bought) if more <= bought)
            for bought in set(problem.bought)
        }
        # Every change goes to another level, in a segment where the dose may change: no taper has
        # more changes than there are of either.
        open_for_change = sum(segment.may_change for segment in problem.segments)
        self.most_changes = min(
            problem.leaning.most_changes, len(problem.levels) - 1, open_for_change
        )

    def choose(self, guard: float) -> Choice | None:
        """The best over everything, then the simplest that comes near it."""
        guard = self.coverage.guarded(guard)
        best = self._best(guard)
        if best is None:
            return None
        leaning = self.problem.leaning
        worst = leaning.worst(best.lowest, best.highest)
        for bought in sorted(set(self.problem.bought)):
            spare = leaning.saving if bought < best.bought else leaning.tolerance
            floor = max(guard, exp(-worst / leaning.below - spare))
            ceiling = exp(worst / leaning.above + spare)
            for changes in range(self.most_changes + 1):
                for whole in (True, False):
                    # Where tablets are broken, every taper near the best is looked at, because the
                    # days with a broken tablet decide before the worst deviation does.
                    step = EQUAL if whole else inf
                    limits = _Limits(leaning, floor * (1 - TIE), ceiling * (1 + TIE), step)
                    self._explore(limits, changes, bought, whole=whole)
                    if limits.found:
                        return Choice(self._simplest(limits.found, whole=whole), best)
        return Choice(best, best)

    def _simplest(self, found: Sequence[Taper], *, whole: bool) -> Taper:
        """The fewest days with a broken tablet; of those that count as equal, the best."""
        if not whole:
            days = [self._split_days(taper) for taper in found]
            least = min(days)
            found = [taper for taper, split in zip(found, days, strict=True) if split <= least]
        most = min(map(self._worst, found)) + EQUAL
        return min((t for t in found if self._worst(t) <= most), key=self._rank)

    def _split_days(self, taper: Taper) -> float:
        """Days with a broken tablet, from that of the cheapest kits which needs the fewest.

        A day with two broken tablets of a medicine counts twice.
        """
        problem = self.problem
        levels = [problem.levels[level] for level in taper.path]
        return min(
            sum(
                segment.days * ((not level.whole >> kit & 1) + (not level.one_broken >> kit & 1))
                for level, segment in zip(levels, problem.segments, strict=True)
            )
            for kit, more in enumerate(problem.bought)
            if taper.kits >> kit & 1 and more == taper.bought
        )

    def _best(self, guard: float) -> Taper | None:
        """The taper with the smallest worst deviation, to within `EQUAL`.

        What few changes achieve bounds what is worth looking for with more.
        """
        limits = _Limits(self.problem.leaning, guard, inf, -EQUAL)
        most = max(self.problem.bought)
        for changes in range(self.most_changes + 1):
            self._explore(limits, changes, most, whole=False)
        found = [t for t in limits.found if self._worst(t) <= limits.least + TIE]
        return min(found, key=self._rank, default=None)

    def _worst(self, taper: Taper) -> float:
        return self.problem.leaning.worst(taper.lowest, taper.highest)

    def _rank(self, taper: Taper) -> tuple[object, ...]:
        """Among tapers that count as equal: the sum of squares, then the fewest strengths."""
        return (round(self.coverage.squares(taper.path), 9), taper.bought, taper.path)

    def _explore(self, limits: _Limits, changes: int, bought: int, *, whole: bool) -> None:
        """All tapers with exactly so many changes, from kits with at most so many strengths."""
        walk = _Walk(self, limits, whole=whole)
        begin = _Stand(0, self.coverage.begin, self.affordable[bought], changes, ())
        if changes and not walk.finals:
            return
        walk.go_on(0, begin)
        if changes and self.problem.segments[0].may_change:
            walk.fall(0, begin)


class _Stand(NamedTuple):
    """Where a walk stands: before which segment, how it came there, and what is left to it."""

    number: int
    point: Point
    kits: int
    changes: int
    path: tuple[int, ...]


class _Walk:
    """One walk through the tapers with a given number of changes."""

    def __init__(self, search: _Search, limits: _Limits, *, whole: bool) -> None:
        self.coverage, self.limits = search.coverage, limits
        self.problem = problem = search.problem
        self.makes = search.makes[whole]
        self.end = len(problem.segments)
        self.last = problem.last
        self.under = problem.under
        self.is_chain = search.is_chain
        self.finals = self._finals()
        self._finals_under: dict[int, list[int]] = {}

    def go_on(self, level: int, stand: _Stand) -> bool:
        """Take a level from here on, with every fall from it that is still allowed.

        Returns False where it is too low, for then every lower level is too.
        """
        coverage, limits = self.coverage, self.limits
        number, point, kits, changes, path = stand
        legs = coverage.legs
        kept: list[Point] = []
        for at in range(number, self.end):
            if not legs[at].is_open[level]:
                break  # too much T3, so the fall must come before; or too early for this dose
            point = point.after.get(level) or coverage.through(at, level, point)
            if point.lowest < limits.floor:
                return False  # and lower still after any fall that comes before this day
            if point.highest > limits.ceiling:
                break  # the fall must come before this day
            kept.append(point)
        if not changes:
            if number + len(kept) == self.end and level in self.last:
                self._take((*path, *[level] * len(kept)), kits, point)
            return True
        for ahead, reached in enumerate(kept, start=1):
            at = number + ahead
            if at < self.end and legs[at].may_change:
                until = (*path, *[level] * ahead)
                self.fall(level, _Stand(at, reached, kits, changes, until))
        return True

    def fall(self, level: int, stand: _Stand) -> None:
        """Fall from a level, here, to each lower one."""
        number, point, kits, changes, path = stand
        changes -= 1
        shares, window = self.coverage.shares, None
        too_low: set[int] = set()
        for lower in self.under[level] if changes else self._finals_from(level):
            left = kits & self.makes[lower]
            if not left or lower in too_low:
                continue
            if shares:
                if window is None:  # only now, for often there is nothing to fall to
                    window = self._window(number, point, last=not changes)
                least, most = window
                if shares[lower] > most:
                    continue
                if shares[lower] < least or least > most:
                    break
            fits = self.go_on(lower, _Stand(number, point, left, changes, path))
            if not fits and self.is_chain:
                break
            if not fits:
                too_low.update(self.under[lower])

    def _window(self, number: int, point: Point, *, last: bool) -> tuple[float, float]:
        """Between which parts of today's dose a fall must lead; see `TaperCoverage.window`."""
        within = self.limits.floor, self.limits.ceiling
        return self.coverage.window(number, point.state, within, last=last)

    def _finals(self) -> set[int]:
        """The levels with which a taper may end, as far as its last day goes."""
        floor, ceiling = self.limits.floor, self.limits.ceiling
        ends = enumerate(self.coverage.at_end)
        within = {level for level, (low, high) in ends if low <= ceiling and high >= floor}
        return within & self.last

    def _finals_from(self, level: int) -> list[int]:
        """The levels under one with which a taper may end."""
        if level not in self._finals_under:
            under = self.under[level]
            self._finals_under[level] = [lower for lower in under if lower in self.finals]
        return self._finals_under[level]

    def _take(self, path: tuple[int, ...], kits: int, point: Point) -> None:
        problem = self.problem
        cheapest = next(more for kit, more in enumerate(problem.bought) if kits >> kit & 1)
        changes = sum(a != b for a, b in zip((0, *path), path, strict=False))
        whole = kits
        for level in set(path):
            whole &= problem.levels[level].whole
        self.limits.take(
            Taper(path, point.lowest, point.highest, kits, cheapest, changes, bool(whole))
        )
