"""The standard grid of moves: the doses that people take, to every target."""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from tests.unit.dosing.switches import GRAIN_60, GRAIN_65, LT3, LT4, tables, wish

from crossgrain.dosing.plan import Plan
from crossgrain.dosing.planner import plan_switch
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.dosing.targets import Target
from crossgrain.dosing.wish import Tables, Wish

PACES = ("standard", "brisk", "cautious")
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
class Case:
    """One move of the grid."""

    old: Preparation
    dose: Fraction
    home: frozenset[Fraction]
    wish: Wish
    tables: Tables

    @property
    def name(self) -> str:
        """From what to what, in which grain family."""
        family = self.tables.products.desiccated_thyroid
        return f"{self.old.id} {float(self.dose):g} to {self.wish.target} ({family.id})"

    def plan(self) -> Plan:
        """The plan of it."""
        return plan_switch(Regimen((DoseLine(self.old, (self.dose,)),)), self.wish, self.tables)


def cases(old: str, target: Target, pace: str) -> Iterator[Case]:
    """Every dose of one kind of move, in each grain family where the target has one."""
    grained = target in {Target.DESICCATED_THYROID, Target.DESICCATED_LT3}
    for taken, dose, home in doses(old):
        at_home = tuple((taken.id, strength) for strength in sorted(home))
        own = taken if taken.mg_per_grain else GRAIN_60
        for family in (GRAIN_60, GRAIN_65) if grained and not taken.mg_per_grain else (own,):
            yield Case(
                taken, dose, home, wish(target, pace_id=pace, at_home=at_home), tables(family)
            )


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
