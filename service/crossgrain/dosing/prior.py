"""The old medicine's side: the doses it may taper through, and the taper that is chosen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import product

from crossgrain.dosing.climb import Slot
from crossgrain.dosing.daydose import day_dose
from crossgrain.dosing.kinetics import Intake, Kinetics, Pools
from crossgrain.dosing.moves import Medicine, total_intake
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.taper import Problem, Segment, best_taper

MOST_LEVELS = 16
"""Doses below the present one that a taper may stop at, shared among the old medicines:
enough for every increment of 200 µg LT4, 80 µg LT3 or four grains."""


@dataclass(frozen=True, slots=True)
class OldDoses:
    """The doses that the falling medicines may take together.

    `choices` are amounts per medicine (in the order of `falling`), from all of the old dose
    down; the last is every medicine at its floor. `ranks` are the same as places in each
    medicine's own list of doses, 0 the largest.
    """

    falling: tuple[Medicine, ...]
    choices: tuple[tuple[Fraction, ...], ...]
    ranks: tuple[tuple[int, ...], ...]

    def amounts(self, choice: int) -> dict[str, Fraction]:
        """The daily amounts of a choice, by preparation id."""
        return {
            medicine.preparation.id: amount
            for medicine, amount in zip(self.falling, self.choices[choice], strict=True)
        }

    def intake(self, choice: int) -> Intake:
        """The hormone in a choice."""
        return total_intake(
            (medicine.preparation, amount)
            for medicine, amount in zip(self.falling, self.choices[choice], strict=True)
        )

    def not_above(self, choice: int) -> tuple[int, ...]:
        """The choices in which no medicine is above this one: what may follow it."""
        most = self.ranks[choice]
        return tuple(
            index
            for index, ranks in enumerate(self.ranks)
            if all(rank >= limit for rank, limit in zip(ranks, most, strict=True))
        )


def old_doses(falling: Sequence[Medicine]) -> OldDoses:
    """The orderable doses of the falling medicines, each from its start down to its goal."""
    share = MOST_LEVELS // len(falling) if falling else MOST_LEVELS
    levels = [_levels(medicine, max(share, 1)) for medicine in falling]
    ranks = product(*(range(len(doses)) for doses in levels))
    return OldDoses(tuple(falling), tuple(product(*levels)), tuple(ranks))


@lru_cache(maxsize=4096)
def _levels(medicine: Medicine, most: int) -> tuple[Fraction, ...]:
    """The start, the orderable doses between on a grid of increments, and the goal.

    The grid is the increment, or the smallest multiple that leaves no more than `most` doses
    below the start.
    """
    start, goal, increment = medicine.start, medicine.goal, medicine.preparation.increment
    if start == goal:
        return (start,)
    stride = -int(-(start - goal) / (most * increment) // 1) or 1
    grid = stride * increment
    multiples = range(int(start / grid) + 1, 0, -1)
    between = (
        multiple * grid
        for multiple in multiples
        if goal < multiple * grid < start and day_dose(medicine.preparation, multiple * grid)
    )
    return (start, *between, goal)


def taper_problem(
    kinetics: Kinetics,
    start: Pools,
    slots: Sequence[Slot],
    preparations: Mapping[str, Preparation],
    old: OldDoses,
    weights: Sequence[Intake],
    last: frozenset[int] | None = None,
) -> Problem:
    """The search for the old medicine's doses over a schedule of the new.

    `last` limits the choices for the last slot; by default all are open.
    """
    intakes = tuple(old.intake(choice) for choice in range(len(old.choices)))
    return Problem(
        kinetics=kinetics,
        start=start,
        segments=tuple(_segment(slot, preparations) for slot in slots),
        old=intakes,
        after=tuple(old.not_above(choice) for choice in range(len(intakes))),
        first=tuple(range(len(intakes))),
        last=frozenset(range(len(intakes))) if last is None else last,
        weights=tuple(weights),
    )


def _segment(slot: Slot, preparations: Mapping[str, Preparation]) -> Segment:
    new = [(preparations[key], amount) for key, amount in slot.amounts.items()]
    new_t3 = sum((preparation.t3_ug(amount) for preparation, amount in new), Fraction(0))
    room = float(slot.t3_ceiling_ug - new_t3)
    return Segment(slot.days, total_intake(new), room, slot.old_may_change)


def tapered(problem: Problem, old: OldDoses) -> list[dict[str, Fraction]]:
    """The old medicine's amounts in each slot, by the taper that hedges best."""
    return [old.amounts(choice) for choice in best_taper(problem)]


def stopped(slots: Sequence[Slot], old: OldDoses) -> list[dict[str, Fraction]]:
    """The old medicine's amounts in each slot where it ends, or takes its new dose, on day 0."""
    return [old.amounts(len(old.choices) - 1) for _ in slots]
