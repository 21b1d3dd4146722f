"""What a prescriber must sign and a pharmacy fill, over a grid of moves.

``python -m tests.bench.plans`` prints, for each kind of move: the strengths of the new medicine,
those of the old one that are not at home, prescriptions, days with a split tablet, changes of the
old dose, the worst coverage, and the processor time of a plan. With ``--distance``: how far the
old medicine's tapers are from the best that any tablets allow, by an independent search.
"""

import argparse
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from statistics import mean
from time import process_time

from tests.bench.plans import distance
from tests.bench.plans.grid import MOVES, PACES, Case, cases

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.preparations import Preparation
from crossgrain.names.errors import DomainError


@dataclass(frozen=True)
class Measured:
    """One plan, counted."""

    name: str
    new: int
    not_at_home: int
    orders: int
    split_share: float
    changes: int
    lowest: float
    highest: float
    milliseconds: float


def measure(case: Case) -> Measured | None:
    """The plan of one move; ``None`` where it is refused."""
    begun = process_time()
    try:
        made = case.plan()
    except DomainError as refused:
        print(f"  refused: {case.name}: {refused}")
        return None
    taken = 1000 * (process_time() - begun)
    return counted(case.name, made, case.old, case.home, taken)


def counted(
    name: str, plan: Plan, old: Preparation, home: frozenset[Fraction], milliseconds: float
) -> Measured:
    """Count a plan's series (what is signed today) but for its branches."""
    lines = [(step, line) for step in plan.steps for line in step.lines if line.tablets]
    bought = {(line.preparation.id, p.strength) for _, line in lines for p in line.tablets.pieces}
    days = sum(step.days for step in plan.steps)
    split = {(step.first_day, step.days) for step, line in lines if line.has_half}
    old_doses = [
        sum(line.amount for line in step.lines if line.preparation.id == old.id)
        for step in plan.steps
    ]
    forecast = plan.forecasts[0]
    return Measured(
        name,
        sum(key != old.id for key, _ in bought),
        sum(key == old.id and strength not in home for key, strength in bought),
        len(plan.prescriptions),
        sum(length for _, length in split) / days,
        sum(a != b for a, b in pairwise(old_doses)),
        forecast.lowest.lowest.value,
        max(c.highest.value for c in forecast.coverage),
        milliseconds,
    )


def report(pace: str) -> None:
    """One line per kind of move."""
    print(f"\nPace {pace}, overlap, practice")
    print(f"{'move':46}{'n':>4}{'new':>9}{'not home':>10}{'orders':>10}{'split':>7}"
          f"{'changes':>9}{'lowest':>8}{'ms':>12}")  # fmt: skip
    everything: list[Measured] = []
    for old, target in MOVES:
        rows = [m for case in cases(old, target, pace) if (m := measure(case))]
        everything += rows
        print(line(f"{old} to {target}", rows))
    print(line("all", everything))
    few = mean(row.not_at_home <= 1 for row in everything)
    print(f"old strengths not at home at most 1: {few:.1%};"
          f" none: {mean(row.not_at_home == 0 for row in everything):.1%}")  # fmt: skip
    times = sorted(row.milliseconds for row in everything)
    slowest = max(everything, key=lambda row: row.milliseconds)
    middle, most = times[len(times) // 2], times[len(times) * 19 // 20]
    print(f"processor, ms: mean {mean(times):.2f}, median {middle:.2f}, 95 % {most:.2f},"
          f" largest {times[-1]:.1f}, {slowest.name}")  # fmt: skip


def line(name: str, rows: list[Measured]) -> str:
    """Means, and in brackets the largest."""

    def both(field: str) -> str:
        values = [getattr(row, field) for row in rows]
        return f"{mean(values):.1f} ({max(values):.0f})"

    return (
        f"{name:46}{len(rows):4}{both('new'):>9}{both('not_at_home'):>10}{both('orders'):>10}"
        f"{mean(row.split_share for row in rows):7.0%}{both('changes'):>9}"
        f"{mean(row.lowest for row in rows):8.3f}{both('milliseconds'):>12}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pace", action="append", choices=PACES)
    parser.add_argument(
        "--distance",
        action="store_true",
        help="how far the tapers are from the best that any tablets allow",
    )
    asked = parser.parse_args()
    for chosen in asked.pace or ["standard"]:
        (distance.report if asked.distance else report)(chosen)
