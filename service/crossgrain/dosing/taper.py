"""The taper of the old medicine: simple enough to follow, and close to the best that there is.

Nobody knows which chart is right for this patient. So a taper is judged by its worst |ln coverage|
over the enabled bases, from day 0 to the end of the hold. Of all tapers that never rise, change at
most a few times, and need no more tablets than are offered, the best is found; then the simplest
of those that are nearly as good is chosen: fewest strengths to buy, fewest changes of dose, fewest
days with a broken tablet, and only then the smallest worst, and the smallest sum of squares.

The search rests on one fact. Coverage rises with every old dose on every day. So a taper that is
somewhere too low stays too low if any of its doses is lowered, and one that is too high stays too
high if a fall is put off. Whole families of tapers are thus settled by one of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log
from typing import NamedTuple

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools

EQUAL = 5e-4
"""Worst values closer than this count as equal: in print, coverage differs by less than 0.1 %."""
TIE = 1e-9
"""Sums of squares closer than this count as equal, and what is left of rounding."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A period in which the new medicine is constant and the old one is chosen once.

    `t3_room_ug` is the most T3 that the old medicine may carry in it, µg per day. Where it
    `may_change` not, the dose of the segment before stands.
    """

    days: float
    new: Intake
    t3_room_ug: float = inf
    may_change: bool = True


@dataclass(frozen=True, slots=True)
class Level:
    """A dose of the old medicine (or of two together).

    Attributes
    ----------
    intake : its hormone
    kits : which of the problem's kits make it, as bits
    whole : which of them make it without breaking a tablet
    """

    intake: Intake
    kits: int
    whole: int


@dataclass(frozen=True, slots=True)
class Leaning:
    """How deviations are weighed, and how much may be given for a simpler taper.

    Attributes
    ----------
    above, below : weight of |ln coverage| above and below 1
    tolerance : how much worse than the best a taper may be, in ln coverage on either side
    saving : the same where that saves a strength
    guard : coverage below which no taper goes while another does not
    most_changes : of the dose in all, one on day 0 included
    """

    above: float = 1.0
    below: float = 1.0
    tolerance: float = 0.0
    saving: float = 0.0
    guard: float = 0.0
    most_changes: int = 3

    def worst(self, lowest: float, highest: float) -> float:
        """The weighed worst of a taper, from its lowest and highest coverage."""
        if lowest <= 0:
            return inf
        return max(-self.below * log(lowest), self.above * log(highest), 0.0)


@dataclass(frozen=True, slots=True)
class Problem:
    """What the taper is chosen for.

    Attributes
    ----------
    start : the pools on day 0 of the problem
    segments : in order; the last one is the hold
    levels : the doses to choose from; the first is what is taken now
    under : for each of them the others that are nowhere above it, the largest first
    last : the levels open in the last segment
    bought : for each kit how many strengths beyond those at home it holds, ascending
    weights : one per basis, each divided by the LT4-equivalent of the regimen compared with,
        so that a weighed sum of pools is coverage on that basis
    leaning : weights, tolerances and limits
    """

    kinetics: Kinetics
    start: Pools
    segments: tuple[Segment, ...]
    levels: tuple[Level, ...]
    under: tuple[tuple[int, ...], ...]
    last: frozenset[int]
    bought: tuple[int, ...]
    weights: tuple[Intake, ...]
    leaning: Leaning = Leaning()


class Taper(NamedTuple):
    """One taper: the level of each segment, and what it costs.

    `kits` are those of which every level can be made; `bought` is what the cheapest of them asks
    for. `lowest` and `highest` are coverage, over all bases.
    """

    path: tuple[int, ...]
    lowest: float
    highest: float
    kits: int
    bought: int
    changes: int
    is_whole: bool


class Choice(NamedTuple):
    """The taper that is proposed, and the best that was found."""

    chosen: Taper
    best: Taper


def choose_taper(problem: Problem) -> Choice | None:
    """The simplest taper among the best, or ``None`` where the limits leave none at all."""
    search = _Search(problem)
    guarded = search.choose(problem.leaning.guard)
    return guarded or (search.choose(0.0) if problem.leaning.guard else None)


_State = tuple[tuple[float, float], ...]
"""Coverage on each basis, in its slow (T4) and its fast (T3) part; their sum is coverage."""


class _Limits:
    """Between which coverage a taper must stay, and the best that was found so far.

    Every better find narrows them to what is `step` worse at the most: to what is better by `EQUAL`
    where only the worst is sought, or to all that count as equal, among which the sum of squares
    decides.
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


class _Course(NamedTuple):
    """One segment: its decay, where coverage tends from the new medicine alone and with each
    level of the old, what is open."""

    e4: float
    e3: float
    tends: _State
    with_level: tuple[_State, ...]
    is_open: tuple[bool, ...]
    may_change: bool


class _Point:
    """The end of a segment, reached along one path: coverage there, and its extremes until then.

    The same tapers are walked many times, with more changes allowed, fewer strengths or narrower
    limits; coverage along them stays what it was. So each point keeps the points after it, by the
    level that leads there, and is worked out once for the whole search.
    """

    __slots__ = ("after", "highest", "lowest", "state")

    def __init__(self, state: _State, lowest: float, highest: float) -> None:
        self.state, self.lowest, self.highest = state, lowest, highest
        self.after: dict[int, _Point] = {}


class _Search:
    """One search over one problem."""

    def __init__(self, problem: Problem) -> None:
        kinetics = problem.kinetics
        self.problem = problem
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
        self.weights = _outermost(problem)
        start = problem.start
        self.start = self._weigh(Intake(start.t4, start.lt3, start.desiccated_t3))
        self.turn_scale = kinetics.t4_tau / kinetics.t3_tau
        self.turn_power = -1 / (self.turn_scale - 1)
        self.levels = [self._weigh(level.intake) for level in problem.levels]
        self.courses = self._courses()
        self.at_end = self._at_end()
        self.shares = self._shares()
        self.ends = self._ends() if self.shares else []
        now = [slow + fast for slow, fast in self.start]
        self.begin = _Point(self.start, min(now), max(now))
        # Every change goes to another level, in a segment where it may: no more of them occur.
        open_for_change = sum(course.may_change for course in self.courses)
        self.most_changes = min(problem.leaning.most_changes, len(self.levels) - 1, open_for_change)

    # What is chosen

    def choose(self, guard: float) -> Choice | None:
        """The best over everything, then the simplest that comes near it."""
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
                    # Where tablets are broken, all that comes near the best is looked at: the days
                    # on which they are decide before the worst does.
                    step = EQUAL if whole else inf
                    limits = _Limits(leaning, floor * (1 - TIE), ceiling * (1 + TIE), step)
                    self._explore(limits, changes, bought, whole=whole)
                    if limits.found:
                        return Choice(self._simplest(limits.found, whole=whole), best)
        return Choice(best, best)

    def _simplest(self, found: Sequence[Taper], *, whole: bool) -> Taper:
        """The fewest days with a broken tablet; of those that count as equal then the best."""
        if not whole:
            days = [self._split_days(taper) for taper in found]
            least = min(days)
            found = [taper for taper, split in zip(found, days, strict=True) if split <= least]
        most = min(map(self._worst, found)) + EQUAL
        return min((t for t in found if self._worst(t) <= most), key=self._rank)

    def _split_days(self, taper: Taper) -> float:
        """Days with a broken tablet, from that of the cheapest kits which needs the fewest."""
        problem = self.problem
        return min(
            sum(
                segment.days
                for level, segment in zip(taper.path, problem.segments, strict=True)
                if not problem.levels[level].whole >> kit & 1
            )
            for kit, more in enumerate(problem.bought)
            if taper.kits >> kit & 1 and more == taper.bought
        )

    def _best(self, guard: float) -> Taper | None:
        """The smallest worst of all, to `EQUAL`.

        What few changes achieve bounds what is worth looking for with more of them.
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
        return (round(self._squares(taper.path), 9), taper.bought, taper.path)

    # The search

    def _explore(self, limits: _Limits, changes: int, bought: int, *, whole: bool) -> None:
        """All tapers with exactly so many changes, from kits with at most so many strengths."""
        walk = _Walk(self, limits, whole=whole)
        begin = _Stand(0, self.begin, self.affordable[bought], changes, ())
        if changes and not walk.finals:
            return
        walk.go_on(0, begin)
        if changes and self.courses[0].may_change:
            walk.fall(0, begin)

    def through(self, number: int, level: int, before: _Point) -> _Point:
        """Take one level through one segment.

        The innermost step of the search.
        """
        course = self.courses[number]
        e4, e3 = course.e4, course.e3
        ends: list[tuple[float, float]] = []
        passed: list[float] = []
        for (slow, fast), (tends_slow, tends_fast) in zip(
            before.state, course.with_level[level], strict=True
        ):
            slow_away, fast_away = slow - tends_slow, fast - tends_fast
            end_slow, end_fast = tends_slow + slow_away * e4, tends_fast + fast_away * e3
            ends.append((end_slow, end_fast))
            passed.append(end_slow + end_fast)
            if slow_away * fast_away < 0:
                # The same turning day as kinetics.Curve.turning_day, without a logarithm.
                ratio = -fast_away / slow_away * self.turn_scale
                if ratio > 1 and ratio * e3 < e4:
                    turn4 = ratio**self.turn_power
                    coverage = tends_slow + tends_fast + slow_away * turn4
                    passed.append(coverage + fast_away * turn4 / ratio)
        lowest, highest = min(before.lowest, *passed), max(before.highest, *passed)
        point = before.after[level] = _Point(tuple(ends), lowest, highest)
        return point

    def window(self, at: int, state: _State, limits: _Limits, *, last: bool) -> tuple[float, float]:
        """Between which parts of today's dose a fall must lead, if coverage is to stay within the
        limits at the end of every segment.

        Coverage there is what it were without the old medicine, and so much for each part of its
        dose. After the last fall that part stays; after another it may only become less, so that
        what is too low stays so, and what is too high counts up to the next fall.
        """
        least, most = 0.0, 1.0
        floor, ceiling = limits.floor * (1 - TIE), limits.ceiling * (1 + TIE)
        counts = True
        for end in self.ends[at]:
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

    def _squares(self, path: Sequence[int]) -> float:
        """Sum of (ln coverage)² over the bases at the segments' ends."""
        point, total = self.begin, 0.0
        for level in path:
            point = point.after[level]  # walked already, since it was found
            total += sum(
                log(slow + fast) ** 2 if slow + fast > 0 else inf for slow, fast in point.state
            )
        return total

    # What is known before

    def _shares(self) -> tuple[float, ...] | None:
        """Each level as a part of the first; ``None`` where several medicines fall."""
        first, *others = (level.intake for level in self.problem.levels)
        t4_ug, lt3_ug, desiccated_t3_ug = first
        if not any(first) or min(sum(level) for level in self.levels[0]) <= 0:
            return None
        by = t4_ug or lt3_ug or desiccated_t3_ug
        shares = [1.0]
        for other in others:
            share = (other.t4_ug if t4_ug else other.lt3_ug or other.desiccated_t3_ug) / by
            if any(abs(share * a - b) > TIE for a, b in zip(first, other, strict=True)):
                return None
            shares.append(share)
        return tuple(shares)

    def _ends(self) -> list[list[tuple[tuple[float, float, float, float], ...]]]:
        """For each segment, what leads to coverage at its end and at each later one.

        On each basis: what is left of the slow and the fast part of now; what the new medicine
        adds meanwhile; and what today's whole dose would.
        """
        ends = []
        for at in range(len(self.courses)):
            e4 = e3 = 1.0
            new: _State = tuple((0.0, 0.0) for _ in self.weights)
            later = []
            for course in self.courses[at:]:
                e4, e3 = e4 * course.e4, e3 * course.e3
                new = tuple(
                    (t + (s - t) * course.e4, g + (f - g) * course.e3)
                    for (s, f), (t, g) in zip(new, course.tends, strict=True)
                )
                later.append(
                    tuple(
                        (e4, e3, s + f, slow * (1 - e4) + fast * (1 - e3))
                        for (s, f), (slow, fast) in zip(new, self.levels[0], strict=True)
                    )
                )
            ends.append(later)
        return ends

    def _courses(self) -> tuple[_Course, ...]:
        """One per segment; most segments of a taper are alike, and such are worked out once."""
        alike: dict[Segment, _Course] = {}
        return tuple(
            alike[segment] if segment in alike else alike.setdefault(segment, self._course(segment))
            for segment in self.problem.segments
        )

    def _course(self, segment: Segment) -> _Course:
        problem = self.problem
        tends = self._weigh(segment.new)
        room = segment.t3_room_ug + TIE
        return _Course(
            exp(-segment.days / problem.kinetics.t4_tau),
            exp(-segment.days / problem.kinetics.t3_tau),
            tends,
            tuple(_plus(tends, level) for level in self.levels),
            tuple(
                level.intake.lt3_ug + level.intake.desiccated_t3_ug <= room
                for level in problem.levels
            ),
            segment.may_change,
        )

    def _at_end(self) -> list[tuple[float, float]]:
        """For each level taken last, between which lowest and highest coverage the problem ends.

        It ends lowest where that level was taken from day 0, and highest where the present dose
        was kept until the last day on which it may change. A pool forgets: with e the decay over
        a time, a dose d taken for that time adds d·(1 - e), so no run through the segments is
        needed for each level.
        """
        none = tuple((0.0, 0.0) for _ in self.weights)
        without, kept = self.start, self.start
        all4 = all3 = 1.0
        last = max((n for n, c in enumerate(self.courses) if c.may_change), default=0)
        late4 = late3 = 1.0
        for number, course in enumerate(self.courses):
            without = _relax(without, course, none)
            kept = _relax(kept, course, self.levels[0] if number < last else none)
            all4, all3 = all4 * course.e4, all3 * course.e3
            if number >= last:
                late4, late3 = late4 * course.e4, late3 * course.e3
        ends = []
        for level in self.levels:
            low = high = None
            for (s, f), (ks, kf), (slow, fast) in zip(without, kept, level, strict=True):
                below = s + f + slow * (1 - all4) + fast * (1 - all3)
                above = ks + kf + slow * (1 - late4) + fast * (1 - late3)
                low = above if low is None else min(low, above)
                high = below if high is None else max(high, below)
            ends.append((high or 0.0, low or 0.0))
        return ends

    def _weigh(self, amounts: Intake) -> _State:
        """Pools or intake as coverage on each basis."""
        t4_ug, lt3_ug, desiccated_t3_ug = amounts
        return tuple(
            (w4 * t4_ug, wl * lt3_ug + wd * desiccated_t3_ug) for w4, wl, wd in self.weights
        )


class _Stand(NamedTuple):
    """Where a walk stands: before which segment, how it came there, and what is left to it."""

    number: int
    point: _Point
    kits: int
    changes: int
    path: tuple[int, ...]


class _Walk:
    """One walk through the tapers with a given number of changes."""

    def __init__(self, search: _Search, limits: _Limits, *, whole: bool) -> None:
        self.search, self.limits = search, limits
        problem = search.problem
        self.makes = search.makes[whole]
        self.end = len(problem.segments)
        self.last = problem.last
        self.finals = {level for level in problem.last if self._may_end(level)}
        self.under = problem.under
        self.is_chain = search.is_chain

    def go_on(self, level: int, stand: _Stand) -> bool:
        """Take a level from here on, and fall from it as often as is left.

        Returns whether it is not too low: where it is, every lower level is too.
        """
        search, limits = self.search, self.limits
        number, point, kits, changes, path = stand
        courses = search.courses
        kept: list[_Point] = []
        for at in range(number, self.end):
            if not courses[at].is_open[level]:
                break  # too much T3: the fall must come before
            point = point.after.get(level) or search.through(at, level, point)
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
            if at < self.end and courses[at].may_change:
                until = (*path, *[level] * ahead)
                self.fall(level, _Stand(at, reached, kits, changes, until))
        return True

    def fall(self, level: int, stand: _Stand) -> None:
        """Fall from a level, here, to each lower one."""
        shares = self.search.shares
        changes = stand.changes - 1
        least, most = 0.0, 1.0
        if shares:
            least, most = self.search.window(
                stand.number, stand.point.state, self.limits, last=not changes
            )
            if least > most:
                return
        for lower in self.under[level]:
            if shares:
                if shares[lower] > most:
                    continue
                if shares[lower] < least:
                    break
            kits = stand.kits & self.makes[lower]
            if not kits:
                continue
            if not changes and not (lower in self.finals and self._may_end(lower)):
                continue
            fits = self.go_on(lower, _Stand(stand.number, stand.point, kits, changes, stand.path))
            if not fits and self.is_chain:
                break

    def _may_end(self, level: int) -> bool:
        """Whether a taper may end with this level, as far as its last day goes."""
        ends_low, ends_high = self.search.at_end[level]
        return ends_low <= self.limits.ceiling and ends_high >= self.limits.floor

    def _take(self, path: tuple[int, ...], kits: int, point: _Point) -> None:
        problem = self.search.problem
        cheapest = next(more for kit, more in enumerate(problem.bought) if kits >> kit & 1)
        changes = sum(a != b for a, b in zip((0, *path), path, strict=False))
        whole = kits
        for level in set(path):
            whole &= problem.levels[level].whole
        self.limits.take(
            Taper(path, point.lowest, point.highest, kits, cheapest, changes, bool(whole))
        )


def _outermost(problem: Problem) -> tuple[Intake, ...]:
    """The bases that decide: coverage on one that lies between two others is between theirs.

    Only the hormones that occur count. With two of them, as in most moves, the bases lie on a
    line (on each the old regimen is 1), so that two are left of any number.
    """
    amounts = [problem.start[0], problem.start[2], problem.start[3]]
    intakes = [level.intake for level in problem.levels] + [s.new for s in problem.segments]
    occurs = [bool(amounts[i]) or any(intake[i] for intake in intakes) for i in range(3)]
    weights = list(
        dict.fromkeys(
            Intake(*(w if here else 0.0 for w, here in zip(weight, occurs, strict=True)))
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


def _relax(state: _State, course: _Course, level: _State) -> _State:
    e4, e3 = course.e4, course.e3
    return tuple(
        (new_slow + old_slow + (slow - new_slow - old_slow) * e4,
         new_fast + old_fast + (fast - new_fast - old_fast) * e3)
        for (slow, fast), (new_slow, new_fast), (old_slow, old_fast) in zip(
            state, course.tends, level, strict=True
        )
    )  # fmt: skip


def _plus(one: _State, other: _State) -> _State:
    return tuple((s + t, f + g) for (s, f), (t, g) in zip(one, other, strict=True))
