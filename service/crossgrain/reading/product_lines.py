"""Which product line a tablet or a dose belongs to, where the record does not name it."""

from collections.abc import Mapping
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation

_GRIDS = (Fraction(1), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8))


def only_line(kind: Kind, preparations: Mapping[str, Preparation]) -> Preparation | None:
    """The product line of a kind, where there is only one."""
    lines = [p for p in preparations.values() if p.kind is kind]
    return lines[0] if len(lines) == 1 else None


def line_of_tablet(
    kind: Kind, strength: Fraction, preparations: Mapping[str, Preparation]
) -> Preparation | None:
    """The product line that a tablet of this strength belongs to, or ``None``.

    Desiccated thyroid comes in two families. A tablet is of the family in which it is the
    rounder number of grains: 195 mg are three grains of 65 mg and three and a quarter of 60.
    """
    for grid in _GRIDS:
        lines = _on_grid(kind, strength, grid, preparations)
        if len(lines) == 1:
            return lines[0]
        if lines:
            return None
    return None


def line_of_dose(
    kind: Kind, amount: Fraction, preparations: Mapping[str, Preparation]
) -> Preparation | None:
    """The only product line whose tablets make this dose in halves; ``None`` where both do."""
    lines = _on_grid(kind, amount, _GRIDS[-1], preparations)
    return lines[0] if len(lines) == 1 else None


def _on_grid(
    kind: Kind, amount: Fraction, grid: Fraction, preparations: Mapping[str, Preparation]
) -> list[Preparation]:
    return [
        line
        for line in preparations.values()
        if line.kind is kind
        and (line.mg_per_grain is None or (line.grains(amount) / grid).denominator == 1)
    ]
