"""What a prescriber must sign and a pharmacy fill, over a grid of moves.

``python -m tests.bench.plans`` prints, for each kind of move: the strengths of the new medicine,
those of the old one that are not at home, prescriptions, days with a split tablet, changes of the
old dose, the worst coverage, and the processor time of a plan.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from statistics import mean
from time import process_time

from tests.unit.dosing.switches import GRAIN_60, GRAIN_65, LT3, LT4, tables, wish

from crossgrain.dosing.errors import DomainError
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.planner import plan_switch
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target

LT4_DOSES = (25, 50, 75, 88, 100, 112, 125, 137, 150, 175, 200)
GRAINS = tuple(Fraction(quarter, 4) for quarter in (1, 2, 3, 4, 5, 6, 8, 10, 12))
LT3_DOSES = (5, 10, 15, 20, 25, 30, 40, 50, 75)
MOVES = (
    ("LT4", Target.DESICCATED_THYROID),
    ("LT4", Target.DESICCATED_LT3),
    ("LT4", Target.LIOTHYRONINE),
    ("LT4", Target.LT4_LT3),
    ("desiccated", Target.LEVOTHYROXINE),
    ("desiccated", Target.LIOTHYRONINE),
    ("desiccated", Target.LT4_LT3),
    ("LT3", Target.LEVOTHYROXINE),
    ("LT3", Target.DESICCATED_THYROID),
)


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


def doses(old: str) -> Iterator[tuple[Preparation, Fraction, frozenset[Fraction]]]:
    """The preparation, the daily dose, and the strengths of which it is ordinarily made."""
    if old == "LT4":
        yield from ((LT4, Fraction(d), frozenset({Fraction(d)})) for d in LT4_DOSES)
    if old == "LT3":
        for dose in LT3_DOSES:
            made_of = 25 if dose % 25 == 0 else 5
            yield LT3, Fraction(dose), frozenset({Fraction(made_of)})
    if old == "desiccated":
        for family in (GRAIN_60, GRAIN_65):
            for grains in GRAINS:
                dose = grains * family.mg_per_grain
                single = dose in family.strengths
                yield family, dose, frozenset({dose if single else dose / 2})


def measure(
    old: Preparation, dose: Fraction, home: frozenset[Fraction], target: Target, pace: str
) -> Iterator[Measured]:
    """The plan of one move, in each grain family where the target has one."""
    grained = target in {Target.DESICCATED_THYROID, Target.DESICCATED_LT3}
    for family in (GRAIN_60, GRAIN_65) if grained and not old.mg_per_grain else (None,):
        family = family or (old if old.mg_per_grain else GRAIN_60)  # noqa: PLW2901
        regimen = Regimen((DoseLine(old, (dose,)),))
        at_home = tuple((old.id, strength) for strength in sorted(home))
        asked = wish(target, pace_id=pace, at_home=at_home)
        begun = process_time()
        try:
            made = plan_switch(regimen, asked, tables(family))
        except DomainError as refused:
            print(f"  refused: {old.id} {float(dose):g} to {target}: {refused}")
            continue
        taken = 1000 * (process_time() - begun)
        yield counted(f"{old.id} {float(dose):g} to {target} ({family.id})", made, old, home, taken)


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
        rows = [m for d in doses(old) for m in measure(*d, target, pace)]
        everything += rows
        print(line(f"{old} to {target}", rows))
    print(line("all", everything))
    few = mean(row.not_at_home <= 1 for row in everything)
    print(f"old strengths not at home at most 1: {few:.1%};"
          f" none: {mean(row.not_at_home == 0 for row in everything):.1%}")  # fmt: skip
    slowest = max(everything, key=lambda row: row.milliseconds)
    print(f"slowest: {slowest.milliseconds:.1f} ms, {slowest.name}")


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
    parser.add_argument("--pace", action="append", choices=("standard", "brisk", "cautious"))
    for chosen in parser.parse_args().pace or ["standard"]:
        report(chosen)
