"""Which product line a tablet or a dose belongs to, where the record does not name it."""

from collections.abc import Mapping
from fractions import Fraction

import msgspec

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.reading.quantities import Amount
from crossgrain.reading.units import Dimension


class Product(msgspec.Struct, frozen=True):
    """A thyroid medicine, as far as its record names it.

    Attributes
    ----------
    kind : which hormone
    preparation : the product line; ``None`` for desiccated thyroid of a family not shown
    strength : of one tablet, in the preparation's unit; ``None`` where not said
    strength_grains : of one tablet in labelled grains, where only that is said
    per_ml : µg in one mL
    named_in_words : no code says which hormone it is
    strength_in_words : its strength or concentration stands only in words
    """

    kind: Kind
    preparation: Preparation | None = None
    strength: Fraction | None = None
    strength_grains: Fraction | None = None
    per_ml: Fraction | None = None
    named_in_words: bool = False
    strength_in_words: bool = False


def tablet_strength(product: Product) -> Fraction | None:
    """The content of one tablet in its line's unit, where both are certain.

    A tablet named in grains alone may be of either family, so it has none.
    """
    if product.strength is not None:
        return product.strength
    if product.strength_grains is None or product.preparation is None:
        return None
    return product.strength_grains * (product.preparation.mg_per_grain or 0) or None


def strengths_of(product: Product) -> list[Amount]:
    """The content of one tablet, in each way that it may be written."""
    found: list[Amount] = []
    if product.strength is not None:
        in_mg = product.kind is Kind.DESICCATED_THYROID
        found.append(Amount(Dimension.MASS, product.strength * (1000 if in_mg else 1)))
        if product.preparation and product.preparation.mg_per_grain:
            found.append(Amount(Dimension.GRAIN, product.preparation.grains(product.strength)))
    if product.strength_grains is not None:
        found.append(Amount(Dimension.GRAIN, product.strength_grains))
    return found


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
