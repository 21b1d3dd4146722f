"""Products: ingredients and strengths as told, and pieces by their labelled strength."""

from collections.abc import Mapping
from fractions import Fraction

import msgspec
from msgspec.structs import replace

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.elements import Asked
from crossgrain.reading.quantities import Amount, Dimension, in_unit, scaled


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


_MOST_PLACES = 6
_SEVERAL = [Fraction(half, 2) for half in (1, 2, 3, 4)]
"""So many tablets at a time."""


def is_base_of(base: Fraction, salt: Fraction, preparation: Preparation | None) -> bool:
    """Whether an amount is what so much of the salt holds as base, as far as it is rounded.

    `base_share` leads one to the other (molar masses); of 75 micrograms of levothyroxine sodium
    72.9 are base.

    Parameters
    ----------
    base, salt : amounts of one unit; `base` as it is written, with its decimal places
    preparation : the product line, whose tablets are labelled by the salt
    """
    if preparation is None or preparation.base_share is None or base >= salt:
        return False
    places = next((n for n in range(_MOST_PLACES) if (base * 10**n).denominator == 1), None)
    if places is None:
        return False
    return abs(salt * preparation.base_share - base) <= Fraction(1, 2 * 10**places)


def labelled_for_base(base: Fraction, preparation: Preparation | None) -> Fraction | None:
    """The tablet of the line whose base an amount is, where no tablet is labelled with it."""
    marketed = preparation.strengths if preparation else ()
    if base in marketed:
        return None
    return next((each for each in marketed if is_base_of(base, each, preparation)), None)


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
        _refuse_a_dose_of_base(micrograms, product, path)
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


def refuse_unless_tablets_make(dose: Labelled, product: Product, path: str) -> None:
    """Ask about a mass that no pieces of the named tablet make, down to an eighth.

    Either names another tablet or another dose: of a code for 65 mg and a dose of 60 mg, one is a
    slip, and so is 112 micrograms of a tablet of 100.

    Raises
    ------
    Asked
        where they do not.
    """
    strength = tablet_strength(product)
    if strength is None or (dose.amount / strength / _GRIDS[-1]).denominator == 1:
        return
    raise Asked(
        path,
        f"The dose is {in_unit(dose.amount, dose.preparation)}, and the tablet that is named holds"
        f" {as_written(strength)}: no pieces of it make that dose. Which tablets are taken, and how"
        " much a day?",
    )


def _refuse_a_dose_of_base(micrograms: Fraction, product: Product, path: str) -> None:
    """Ask about a dose that is what the tablets hold as base: doses are told by the salt."""
    if product.strength is None:
        salt = None
        if micrograms.denominator > 1:  # without decimals it may be a dose like any other
            salt = labelled_for_base(micrograms, product.preparation)
    else:
        doses = (product.strength * count for count in _SEVERAL)
        bases = (dose for dose in doses if is_base_of(micrograms, dose, product.preparation))
        salt = next(bases, None)
    if salt is not None:
        raise Asked(
            path,
            f"The dose is {as_written(micrograms)} micrograms, which is what {as_written(salt)}"
            " micrograms of the sodium salt hold as base. Which dose of the salt is taken?",
        )


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
    line = next(p for p in preparations.values() if p.usual)
    per_grain = line.mg_per_grain or Fraction(0)
    mg = grains * per_grain
    return Labelled(
        line,
        mg,
        assumed=f"{as_written(grains)} grain was read as {as_written(mg)} mg labelled with"
        f" {as_written(per_grain)} mg per grain;"
        " a labelled grain holds the same hormone in either family. Which tablets are taken?",
    )
