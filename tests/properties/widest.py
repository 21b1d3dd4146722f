"""The best taper that any tablets allow, found by means that share nothing with the planner.

Given what a plan makes of the new medicine, which doses of the old one, on which of its steps,
keep the worst |ln coverage| over the four charts smallest from day 0 to the end of the hold? Every
dose that marketed tablets make is open, from any set of strengths, and as many changes as there are
steps. SciPy's mixed-integer solver (HiGHS) answers, with a proven bound on what it did not try.

Pools are linear in the doses, so coverage on a day is a matrix times the doses: a dose d swallowed
from day a to day b holds d·(e^(-(t-b)/τ) - e^(-(t-a)/τ)) of its pool on a later day t.

Half-lives, charts, contents, tablets and limits are those of labels, trials and common practice, as
cited beside each; none is read from the project's own tables.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.targets import Target

PREPARATIONS = {
    "lt4": "levothyroxine",
    "lt3": "liothyronine",
    "mg60": "desiccated-thyroid-60",
    "mg65": "desiccated-thyroid-65",
}
T4_HALF_LIFE, T3_HALF_LIFE = 7.0, 1.0
"""Days: levothyroxine label 6-7 (from memory), liothyronine 1-2 (from memory)."""

CHARTS = ((50.0, 2.0), (100.0, 4.0), (88.0, 115.2 / 40.3), (38 + 9 * 3.3, 3.3))
"""µg LT4 per grain and per µg LT3: common practice, no source; 60 mg = LT4 100 µg = LT3 25 µg (a
product monograph as quoted); Hoang 2013, doi 10.1210/jc.2012-4107, and Celi 2010, Clin Endocrinol
72:709; content by the US desiccated thyroid label, 38 and 9 µg, with T3 counted at 3.3."""

TABLETS = {
    # US levothyroxine label, description; scored: the same label, section 16
    "lt4": ((25, 50, 75, 88, 100, 112, 125, 137, 150, 175, 200, 300), None),
    # US liothyronine labels, section 3; none is said to be scored
    "lt3": ((5, 25, 50), ()),
    # US thyroid tablet label, how supplied, revised January 2011: 180 and 300 mg alone are scored
    "mg60": ((15, 30, 60, 90, 120, 180, 240, 300), (180, 300)),
    # value set 2.16.840.1.113883.3.464.1003.196.12.1354; none is said to be scored
    "mg65": (
        (16.25, 32.5, 48.75, 65, 81.25, 97.5, 113.75, 130, 146.25, 162.5, 195, 260, 325),
        (),
    ),
}
"""Strengths, and those that may be halved; all of them where that is None."""

CONTENT = {  # µg T4, LT3 and T3 in desiccated thyroid, of one labelled unit (38 + 9 µg a grain)
    "lt4": (1.0, 0.0, 0.0),
    "lt3": (0.0, 1.0, 0.0),
    "mg60": (38 / 60, 0.0, 9 / 60),
    "mg65": (38 / 65, 0.0, 9 / 65),
}
T3_INCREMENT = {"lt3": 5.0, "mg60": 2.25, "mg65": 2.25}
"""By how much a dose of T3 climbs, µg: 5 of LT3 (label), a quarter grain (common practice)."""
WEEKLY = (0, 7, 14, 21, 28)
"""When the old dose may fall where nothing climbs: weekly for four half-lives (our judgement)."""
WAIT = 49
"""Six weeks to the labs (ATA 2014, from memory) and one for their result (our judgement)."""

Daily = dict[str, float]
"""Daily amounts by medicine, in its labelled unit."""


@dataclass(frozen=True)
class Move:
    """A move, as far as a plan has settled it: what is left open is the old medicine.

    Attributes
    ----------
    old : what is taken before
    least : of it what falls, and what the target keeps of that
    starts : first day of each step of the new medicine
    new : its daily amounts in each
    end : the last day that counts
    """

    old: Daily
    least: Daily
    starts: tuple[int, ...]
    new: tuple[Daily, ...]
    end: int


@dataclass(frozen=True)
class Best:
    """The taper that was found, its worst |ln coverage|, and that of any other at the least."""

    doses: tuple[Daily, ...]
    worst: float
    bound: float


def tablet_doses(medicine: str, today: float, least: float) -> list[float]:
    """Doses of the old medicine that tablets make, from today's down to the least.

    At most three pieces at a time, LT3 in two doses a day; halves only of tablets that are scored
    and no stronger than today's whole dose. Today's dose is taken as it is.
    """
    strengths, scored = TABLETS[medicine]
    halves = [s / 2 for s in (strengths if scored is None else scored) if s <= today]
    pieces = [*strengths, *halves]
    times = 2 if medicine == "lt3" else 1
    made = {
        round(sum(chosen), 4)
        for many in range(1, 3 * times + 1)
        for chosen in combinations_with_replacement(pieces, many)
    }
    return sorted({today, least} | {dose for dose in made if least < dose < today}, reverse=True)


def hormones(daily: Daily) -> np.ndarray:
    """T4, LT3 and T3 in desiccated thyroid, µg a day."""
    return sum((np.array(CONTENT[m]) * dose for m, dose in daily.items()), np.zeros(3))


def held(day: np.ndarray, begin: float, end: float) -> np.ndarray:
    """Part of each pool (T4, LT3, desiccated T3) that a dose of these days sustains on a day."""
    tau = np.array([T4_HALF_LIFE, T3_HALF_LIFE, T3_HALF_LIFE]) / np.log(2)
    since = np.maximum(day[:, None] - begin, 0) / tau
    after = np.maximum(day[:, None] - end, 0) / tau
    return np.exp(-after) - np.exp(-since)


class Coverage:
    """Coverage of the old regimen on every chart, on so many moments of each day."""

    def __init__(self, move: Move, a_day: int) -> None:
        self.move = move
        self.days = np.arange(move.end * a_day + 1) / a_day
        self.ends = (*move.starts[1:], move.end)
        before = hormones(move.old)
        weights = np.array([[1, k, (w - 38) / 9] for w, k in CHARTS])
        self.weights = weights / (weights @ before)[:, None]
        never_changed = before * (1 - held(self.days, 0, np.inf))
        self.from_new = never_changed @ self.weights.T
        for begin, end, daily in zip(move.starts, self.ends, move.new, strict=True):
            self.from_new += (hormones(daily) * held(self.days, begin, end)) @ self.weights.T

    def per_unit(self, medicine: str, step: int) -> np.ndarray:
        """What one unit a day of an old medicine in one step adds, by moment and chart."""
        part = held(self.days, self.move.starts[step], self.ends[step])
        return (np.array(CONTENT[medicine]) * part) @ self.weights.T

    def of(self, doses: Sequence[Daily]) -> np.ndarray:
        """Coverage under a taper, by moment and chart."""
        covered = self.from_new.copy()
        for step, daily in enumerate(doses):
            for medicine, dose in daily.items():
                covered += dose * self.per_unit(medicine, step)
        return covered

    def worst(self, doses: Sequence[Daily]) -> float:
        """The worst |ln coverage| of a taper."""
        return float(np.abs(np.log(self.of(doses))).max())


def t3_room(move: Move) -> list[float]:
    """The T3 that what falls may carry in each step, µg a day.

    Together never more than before and what the new one has risen by, step for step; where
    nothing climbs, one increment more than before.
    """
    before = hormones(move.old)[1:].sum()
    new = [hormones(daily)[1:].sum() for daily in move.new]
    if new[-1] + hormones(move.least)[1:].sum() > before:
        return [hormones({m: move.old[m] for m in move.least})[1:].sum()] * len(new)
    increments = [T3_INCREMENT.get(m, 0.0) for m in move.new[-1]]
    return [before + max(increments, default=0.0) - t3 for t3 in new]


def best_taper(move: Move, guard: float = 0.0, seconds: float = 60.0) -> Best | None:
    """The taper with the smallest worst |ln coverage|, over all tablets and all steps.

    Of those alone that never cover less than `guard` on any chart; ``None`` where there is none.

    The variables are a dose for each step, a binary for each tablet dose that it may be, and the
    highest and the lowest coverage, u and v. u = e^worst is made smallest, with v at least 1/u:
    of which tangents stand for the curve, that touch it from below.
    """
    steps, medicines = len(move.starts), list(move.least)
    parts = [(m, s) for m in medicines for s in range(steps)]
    offered = {m: tablet_doses(m, move.old[m], move.least[m]) for m in medicines}
    binaries = [(part, dose) for part in parts for dose in offered[part[0]]]
    u, v = len(parts), len(parts) + 1
    width = len(parts) + 2 + len(binaries)
    blocks: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []

    def rule(rows: np.ndarray, at_least: ArrayLike, at_most: ArrayLike) -> None:
        full = np.zeros((len(rows), width))
        full[:, : rows.shape[1]] = rows
        shape = np.ones(len(rows))
        blocks.append((full, at_least * shape, at_most * shape))

    one_of = np.zeros((2 * len(parts), width))
    for at, (part, dose) in enumerate(binaries):
        row = parts.index(part)
        one_of[row, v + 1 + at] = 1  # of its doses a step has one
        one_of[len(parts) + row, v + 1 + at] = dose
    one_of[len(parts) :, : len(parts)] = -np.eye(len(parts))
    rule(one_of, np.repeat([1.0, 0.0], len(parts)), np.repeat([1.0, 0.0], len(parts)))

    never_rises = np.zeros((len(parts), len(parts)))
    for row, (m, s) in enumerate(parts):
        if s:
            never_rises[row, parts.index((m, s - 1))], never_rises[row, row] = 1, -1
    rule(never_rises, 0.0, np.inf)
    t3 = {m: sum(CONTENT[m][1:]) for m in medicines}
    carries = np.array([[t3[m] * (s == step) for m, s in parts] for step in range(steps)])
    rule(carries, -np.inf, np.array(t3_room(move)) + 1e-9)

    coverage = Coverage(move, 1)
    known = coverage.from_new.ravel()
    of_doses = np.column_stack([coverage.per_unit(*part).ravel() for part in parts])
    ones, zeros = np.ones((len(known), 1)), np.zeros((len(known), 1))
    rule(np.hstack([of_doses, -ones]), -np.inf, -known)
    rule(np.hstack([of_doses, zeros, -ones]), -known, np.inf)
    tangents = np.linspace(1, 1.7, 29)
    under_curve = np.zeros((len(tangents), v + 1))
    under_curve[:, u], under_curve[:, v] = 1 / tangents**2, 1
    rule(under_curve, 2 / tangents, np.inf)

    rows, low, high = (np.concatenate(each) for each in zip(*blocks, strict=True))
    least = np.zeros(width)
    least[v] = guard
    found = milp(
        np.eye(width)[u],
        integrality=np.array([0] * (v + 1) + [1] * len(binaries)),
        bounds=Bounds(least, np.array([np.inf] * (v + 1) + [1] * len(binaries))),
        constraints=LinearConstraint(csr_array(rows), low, high),
        options={"time_limit": seconds, "mip_rel_gap": 1e-4},
    )
    if found.x is None:
        return None
    doses = [min(offered[m], key=lambda d: abs(d - x)) for (m, _), x in zip(parts, found.x)]  # noqa: B905
    chosen = tuple({m: doses[parts.index((m, s))] for m in medicines} for s in range(steps))
    return Best(chosen, Coverage(move, 8).worst(chosen), float(np.log(found.mip_dual_bound)))


def settled(plan: Plan, old: Daily) -> tuple[Move, tuple[Daily, ...]]:
    """What a plan settles of a move from these daily amounts, and the taper that it chose."""
    medicine_of = {preparation: medicine for medicine, preparation in PREPARATIONS.items()}
    by_day = [
        {medicine_of[line.preparation.id]: float(line.amount) for line in step.lines}
        for step in plan.steps
        for _ in range(step.days)
    ]
    goal = plan.checkpoint.dose
    goals = {"lt4": float(goal.lt4_ug), "lt3": float(goal.lt3_ug)}
    goals |= {grain: float(goal.grains) * mg for grain, mg in (("mg60", 60), ("mg65", 65))}
    target = {m for daily in by_day for m in daily} - old.keys()
    least = {m: goals[m] if m == "lt4" and plan.target is Target.LT4_LT3 else 0.0 for m in old}
    new = [{m: dose for m, dose in daily.items() if m in target} for daily in by_day]
    starts = tuple(day for day in range(len(new)) if not day or new[day] != new[day - 1])
    if hormones({m: goals[m] for m in target} | least)[1:].sum() <= hormones(old)[1:].sum():
        starts = WEEKLY
    move = Move(
        old,
        least,
        starts,
        tuple(new[day] for day in starts),
        max(len(by_day), starts[-1] + WAIT),
    )
    return move, tuple({m: by_day[day].get(m, 0.0) for m in old} for day in starts)
