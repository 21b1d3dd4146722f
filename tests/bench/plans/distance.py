"""How far the proposed tapers are from the best that any tablets allow.

The best comes from `tests.properties.widest`, which shares nothing with the planner.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from statistics import mean, quantiles

from tests.bench.plans.grid import MOVES, Case, cases
from tests.properties.widest import PREPARATIONS, Coverage, best_taper, settled
from tests.unit.dosing.switches import CATALOGUE

from crossgrain.names.errors import DomainError

MOST_STEPS = 6
CHOICE = CATALOGUE.policy.taper


@dataclass(frozen=True)
class Distance:
    """A proposed taper beside the best one, each by its worst |ln coverage|.

    `allowed` is what the policy table lets a simpler taper cost.
    """

    name: str
    proposed: float
    best: float
    allowed: float

    @property
    def beyond(self) -> float:
        """By how much it is worse than the best."""
        return self.proposed - self.best


def short_climbs(pace: str) -> Iterator[Case]:
    """The moves of the grid with at most so many steps."""
    for move in MOVES:
        for case in cases(*move, pace):
            try:
                plan = case.plan()
            except DomainError:
                continue
            if len(settled(plan, taken(case))[0].starts) <= MOST_STEPS:
                yield case


def taken(case: Case) -> dict[str, float]:
    """What is taken now, by the medicines' names in the independent search."""
    short = {preparation: medicine for medicine, preparation in PREPARATIONS.items()}
    return {short[case.old.id]: float(case.dose)}


def distance(case: Case) -> Distance:
    """One plan's.

    The guard is not a matter of tolerance: where a plan keeps above it, it is held against the
    best that does.
    """
    plan = case.plan()
    move, taper = settled(plan, taken(case))
    coverage = Coverage(move, 8)
    guarded = coverage.of(taper).min() >= CHOICE.guard - 1e-6
    best = best_taper(move, CHOICE.guard if guarded else 0.0)
    saves = plan.taper and plan.taper.chosen.bought < plan.taper.best.bought
    allowed = CHOICE.saving_a_strength if saves else CHOICE.tolerance
    return Distance(case.name, coverage.worst(taper), best.worst, allowed)


def report(pace: str) -> None:
    """The distribution, and each that is further away than the policy's tolerance."""
    found = [distance(case) for case in short_climbs(pace)]
    print(f"\nPace {pace}: {len(found)} moves of at most {MOST_STEPS} steps,")
    print("worst |ln coverage| above that of the best taper from any tablets")
    print(line([d.beyond for d in found]))
    print("beyond the tolerance:")
    for far in sorted(found, key=lambda d: -d.beyond):
        if far.beyond > far.allowed + 5e-4:
            print(f"  {far.name:75} {far.proposed:.3f} for {far.best:.3f}: {far.beyond:.3f}")


def line(values: Iterable[float]) -> str:
    """Mean, quantiles and largest."""
    ordered = sorted(values)
    parts = quantiles(ordered, n=20)
    return (
        f"mean {mean(ordered):.4f}, median {parts[9]:.4f}, 90 % {parts[17]:.4f},"
        f" 95 % {parts[18]:.4f}, largest {ordered[-1]:.4f}"
    )
