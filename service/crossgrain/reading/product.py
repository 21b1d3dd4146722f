"""A thyroid medicine, as far as its record names it."""

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
