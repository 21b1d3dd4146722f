"""What coverage comes to along a taper: from one change of the old dose to the next.

On each basis coverage has a slow part (T4) and a fast one (T3), and each of them approaches, at its
own pace, the level that the present doses sustain. So a segment is two decays and an addition, its
extremes lie at its ends or at the one turn between them, and coverage on any later day is linear in
each old dose.
"""

from collections.abc import Sequence
from math import exp, inf, log
from typing import NamedTuple

from crossgrain.dosing.kinetics import Intake, PoolWeights
from crossgrain.dosing.taper import TIE, Problem, Segment

State = tuple[tuple[float, float], ...]
"""Coverage on each basis, in its slow (T4) and its fast (T3) part; their sum is coverage."""


class Leg(NamedTuple):
    """One segment as coverage sees it.

    Its decay, where coverage tends with the new medicine alone, which levels are open in it, and
    whether the old dose may change.
    """

    e4: float
    e3: float
    tends: State
    is_open: tuple[bool, ...]
    may_change: bool


class Point:
    """The end of a segment, reached along one path: coverage there, and its extremes until then.

    The same tapers are walked many times, with more changes allowed, fewer strengths or narrower
    limits, and coverage along them is the same each time. So each point keeps the points after it,
    by the level that leads there, and is worked out once for the whole search.
    """

    __slots__ = ("after", "highest", "lowest", "state")

    def __init__(self, state: State, lowest: float, highest: float) -> None:
        self.state, self.lowest, self.highest = state, lowest, highest
        self.after: dict[int, Point] = {}


class TaperCoverage:
    """Coverage along every taper of one problem, each part worked out when it is first asked for.

    Attributes
    ----------
    begin : day 0
    legs : the segments
    needs : for each segment the coverage that counts as 1 at its end, on each basis: 1 itself where
        the old regimen is what the patient needs
    shares : each level as a part of the first, today's dose; ``None`` where several medicines fall
    at_end : for each level taken last, the lowest and the highest coverage at the problem's end
    """

    def __init__(self, problem: Problem) -> None:
        kinetics = problem.kinetics
        self._problem = problem
        self._weights = _outermost(problem)
        start = problem.start
        self._start = self._weigh(Intake(start.t4, start.lt3, start.desiccated_t3))
        self._turn_scale = kinetics.t4_tau / kinetics.t3_tau
        self._turn_power = -1 / (self._turn_scale - 1)
        self.levels = [self._weigh(level.intake) for level in problem.levels]
        self.legs = self._legs()
        self.needs = self._needs()
        self.at_end = self._at_end()
        # Where today's dose counts for nothing on some basis, no other is a part of it.
        counts = min(slow + fast for slow, fast in self.levels[0]) > 0
        self.shares = problem.shares if counts else None
        self._ends: dict[int, list[tuple[tuple[float, float, float, float], ...]]] = {}
        now = [slow + fast for slow, fast in self._start]
        self.begin = Point(self._start, min(now), max(now))

    def through(self, number: int, level: int, before: Point) -> Point:
        """Take one level through one segment.

        The innermost step of the search.
        """
        e4, e3, new, _, _ = self.legs[number]
        lowest, highest = before.lowest, before.highest
        ends: list[tuple[float, float]] = []
        for (slow, fast), (new_slow, new_fast), (old_slow, old_fast) in zip(
            before.state, new, self.levels[level], strict=True
        ):
            tends_slow, tends_fast = new_slow + old_slow, new_fast + old_fast
            slow_away, fast_away = slow - tends_slow, fast - tends_fast
            end_slow, end_fast = tends_slow + slow_away * e4, tends_fast + fast_away * e3
            ends.append((end_slow, end_fast))
            end = end_slow + end_fast
            lowest = end if end < lowest else lowest
            highest = end if end > highest else highest
            if slow_away * fast_away < 0:
                # The same turning day as kinetics.Curve.turning_day, without a logarithm.
                ratio = -fast_away / slow_away * self._turn_scale
                if ratio > 1 and ratio * e3 < e4:
                    turn4 = ratio**self._turn_power
                    turn = tends_slow + tends_fast + slow_away * turn4
                    turn += fast_away * turn4 / ratio
                    lowest = turn if turn < lowest else lowest
                    highest = turn if turn > highest else highest
        point = before.after[level] = Point(tuple(ends), lowest, highest)
        return point

    def window(
        self, at: int, state: State, within: tuple[float, float], *, last: bool
    ) -> tuple[float, float]:
        """The least and the greatest part of today's dose to which a fall may lead.

        Within these, coverage stays between the limits at the end of every segment. It is there
        what it would be without the old medicine, plus an amount in proportion to that part. After
        the last fall (`last`) the part stays as it is; after any other it can only become less, so
        that what is too low stays too low, and what is too high counts only up to the next fall.
        """
        least, most = 0.0, 1.0
        floor, ceiling = within[0] * (1 - TIE), within[1] * (1 + TIE)
        counts = True
        for end in self._later(at):
            for (slow, fast), (e4, e3, new, whole) in zip(state, end, strict=True):
                without = slow * e4 + fast * e3 + new
                low = (floor - without) / whole
                if low > least:  # noqa: PLR1730 - half the time of max(), where most of it is spent
                    least = low
                if counts:
                    high = (ceiling - without) / whole
                    if high < most:  # noqa: PLR1730
                        most = high
            if least > most:
                break
            counts = last
        return least - TIE, most + TIE

    def squares(self, path: Sequence[int]) -> float:
        """Sum of (ln coverage)² over the bases at the segments' ends."""
        point, total = self.begin, 0.0
        for level, needs in zip(path, self.needs, strict=True):
            point = point.after[level]  # walked already, since it was found
            total += sum(
                log((slow + fast) / need) ** 2 if slow + fast > 0 else inf
                for (slow, fast), need in zip(point.state, needs, strict=True)
            )
        return total

    def guarded(self, guard: float) -> float:
        """The floor under coverage that a guard on coverage of the old regimen comes to."""
        return guard

    def _later(self, at: int) -> list[tuple[tuple[float, float, float, float], ...]]:
        """What leads from the start of a segment to coverage at its end and at each later end.

        On each basis: which parts of today's slow and fast coverage are left by then; what the new
        medicine has added; and what today's whole dose would have added.
        """
        if at in self._ends:
            return self._ends[at]
        e4 = e3 = 1.0
        new: State = tuple((0.0, 0.0) for _ in self._weights)
        later = self._ends[at] = []
        for leg, needs in zip(self.legs[at:], self.needs[at:], strict=True):
            e4, e3 = e4 * leg.e4, e3 * leg.e3
            new = tuple(
                (t + (s - t) * leg.e4, g + (f - g) * leg.e3)
                for (s, f), (t, g) in zip(new, leg.tends, strict=True)
            )
            later.append(
                tuple(
                    (
                        e4 / need,
                        e3 / need,
                        (s + f) / need,
                        (slow * (1 - e4) + fast * (1 - e3)) / need,
                    )
                    for (s, f), (slow, fast), need in zip(new, self.levels[0], needs, strict=True)
                )
            )
        return later

    def _needs(self) -> tuple[tuple[float, ...], ...]:
        return ((1.0,) * len(self._weights),) * len(self.legs)

    def _legs(self) -> tuple[Leg, ...]:
        """One per segment; most segments of a taper are alike, and such are worked out once."""
        alike: dict[Segment, Leg] = {}
        return tuple(
            alike[segment] if segment in alike else alike.setdefault(segment, self._leg(segment))
            for segment in self._problem.segments
        )

    def _leg(self, segment: Segment) -> Leg:
        problem = self._problem
        tends = self._weigh(segment.new)
        room = segment.t3_room_ug + TIE
        return Leg(
            exp(-segment.days / problem.kinetics.t4_tau),
            exp(-segment.days / problem.kinetics.t3_tau),
            tends,
            tuple(
                level.intake.lt3_ug + level.intake.desiccated_t3_ug <= room
                and number not in segment.closed
                for number, level in enumerate(problem.levels)
            ),
            segment.may_change,
        )

    def _at_end(self) -> list[tuple[float, float]]:
        """For each level taken last, the lowest and the highest coverage at the problem's end.

        It is lowest where that level was taken from day 0, and highest where the present dose was
        kept until the last day on which it may change. A pool forgets: with e what is left of it
        after a time, a dose d taken for that time adds d·(1 - e), so that no level needs a run
        through the segments.
        """
        none = tuple((0.0, 0.0) for _ in self._weights)
        without, kept = self._start, self._start
        all4 = all3 = 1.0
        last = max((n for n, c in enumerate(self.legs) if c.may_change), default=0)
        late4 = late3 = 1.0
        for number, course in enumerate(self.legs):
            without = _relax(without, course, none)
            kept = _relax(kept, course, self.levels[0] if number < last else none)
            all4, all3 = all4 * course.e4, all3 * course.e3
            if number >= last:
                late4, late3 = late4 * course.e4, late3 * course.e3
        ends = []
        for level in self.levels:
            low = high = None
            for (s, f), (ks, kf), (slow, fast), need in zip(
                without, kept, level, self.needs[-1], strict=True
            ):
                below = (s + f + slow * (1 - all4) + fast * (1 - all3)) / need
                above = (ks + kf + slow * (1 - late4) + fast * (1 - late3)) / need
                low = above if low is None else min(low, above)
                high = below if high is None else max(high, below)
            ends.append((high or 0.0, low or 0.0))
        return ends

    def _weigh(self, amounts: Intake) -> State:
        """Pools or intake as coverage on each basis."""
        t4_ug, lt3_ug, desiccated_t3_ug = amounts
        return tuple(
            (w4 * t4_ug, wl * lt3_ug + wd * desiccated_t3_ug) for w4, wl, wd in self._weights
        )


def _outermost(problem: Problem) -> tuple[PoolWeights, ...]:
    """The bases that decide: coverage on a basis that lies between two others lies between theirs.

    Only the hormones that occur count. Where these are two, as in most moves, the bases lie on a
    line (the old regimen is 1 on each), so that of any number of bases only two are left.
    """
    amounts = [problem.start[0], problem.start[2], problem.start[3]]
    intakes = [level.intake for level in problem.levels] + [s.new for s in problem.segments]
    occurs = [bool(amounts[i]) or any(intake[i] for intake in intakes) for i in range(3)]
    weights = list(
        dict.fromkeys(
            PoolWeights(*(w if here else 0.0 for w, here in zip(weight, occurs, strict=True)))
            for weight in problem.weights
        )
    )
    if len(weights) < 3:
        return tuple(weights)
    first = weights[0]
    away = [tuple(w - f for w, f in zip(weight, first, strict=True)) for weight in weights]
    far = max(away, key=lambda d: sum(x * x for x in d))
    length = sum(x * x for x in far)
    along = [sum(a * b for a, b in zip(d, far, strict=True)) / length for d in away]
    on_line = all(
        abs(x - t * y) <= 1e-9 * abs(y or 1)
        for d, t in zip(away, along, strict=True)
        for x, y in zip(d, far, strict=True)
    )
    if not on_line:
        return tuple(weights)
    return weights[along.index(min(along))], weights[along.index(max(along))]


def _relax(state: State, course: Leg, level: State) -> State:
    e4, e3 = course.e4, course.e3
    return tuple(
        (new_slow + old_slow + (slow - new_slow - old_slow) * e4,
         new_fast + old_fast + (fast - new_fast - old_fast) * e3)
        for (slow, fast), (new_slow, new_fast), (old_slow, old_fast) in zip(
            state, course.tends, level, strict=True
        )
    )  # fmt: skip
