"""An amount of a product, in the unit that its line is labelled in."""

from collections.abc import Mapping
from fractions import Fraction

import msgspec
from msgspec.structs import replace

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.errors import Asked
from crossgrain.reading.product import Product, line_of_dose
from crossgrain.reading.quantities import Amount, scaled
from crossgrain.reading.units import Dimension

_ASSUMED_MG_PER_GRAIN = 60


class Labelled(msgspec.Struct, frozen=True):
    """So much of a product line.

    Attributes
    ----------
    preparation : the line, now certain
    amount : in the line's unit
    in_words : it rests on a strength that stands only in words
    assumed : what was settled on the way and is to be confirmed, or empty
    """

    preparation: Preparation
    amount: Fraction
    in_words: bool = False
    assumed: str = ""


def labelled(
    amount: Amount, product: Product, preparations: Mapping[str, Preparation], path: str
) -> Labelled:
    """Lead tablets, grains, millilitres or a mass to the unit of the product line.

    Raises
    ------
    Asked
        where the strength, the concentration or the line is not known.
    """
    match amount.dimension:
        case Dimension.PIECE:
            return _pieces(amount.value, product, preparations, path)
        case Dimension.GRAIN:
            return _grains(amount.value, product, preparations, path)
        case Dimension.VOLUME:
            if product.per_ml is None:
                raise Asked(
                    path, f"The dose is {as_written(amount.value)} mL. How much is in one mL?"
                )
            micrograms = amount.value * product.per_ml
            found = _mass(micrograms, product, preparations, path)
            return replace(found, in_words=product.strength_in_words)
        case Dimension.MASS:
            return _mass(amount.value, product, preparations, path)


def _mass(
    micrograms: Fraction, product: Product, preparations: Mapping[str, Preparation], path: str
) -> Labelled:
    if product.kind is not Kind.DESICCATED_THYROID:
        return Labelled(_certain(product, path), micrograms)
    mg = micrograms / 1000
    line = product.preparation or line_of_dose(product.kind, mg, preparations)
    if line is None:
        raise Asked(
            path,
            f"{as_written(mg)} mg of desiccated thyroid: is it labelled with 60 or with 65 mg per"
            " grain?",
        )
    return Labelled(line, mg)


def _certain(product: Product, path: str) -> Preparation:
    if product.preparation is None:
        raise Asked(path, f"Which {product.kind} preparation is taken?")
    return product.preparation


def _pieces(
    count: Fraction, product: Product, preparations: Mapping[str, Preparation], path: str
) -> Labelled:
    in_words = product.strength_in_words
    if product.strength is not None:
        return Labelled(_certain(product, path), scaled(product.strength, count), in_words)
    if product.strength_grains is not None:
        found = _grains(count * product.strength_grains, product, preparations, path)
        return replace(found, in_words=in_words)
    what = "T4 and the T3 content" if product.kind is Kind.FIXED_RATIO else "strength"
    raise Asked(path, f"The dose is {as_written(count)} tablet. What is the {what} of one tablet?")


def _grains(
    grains: Fraction, product: Product, preparations: Mapping[str, Preparation], path: str
) -> Labelled:
    """A labelled grain holds the same hormone in either family, so the dose is certain."""
    if product.kind is not Kind.DESICCATED_THYROID:
        raise Asked(
            path, f"{as_written(grains)} grain of {product.kind}: what is it in micrograms?"
        )
    line = product.preparation
    if line is not None:
        return Labelled(line, grains * (line.mg_per_grain or 0))
    line = next(p for p in preparations.values() if p.mg_per_grain == _ASSUMED_MG_PER_GRAIN)
    mg = grains * _ASSUMED_MG_PER_GRAIN
    return Labelled(
        line,
        mg,
        assumed=f"{as_written(grains)} grain was read as {as_written(mg)} mg labelled with"
        f" 60 mg per grain;"
        " a labelled grain holds the same hormone in either family. Which tablets are taken?",
    )
