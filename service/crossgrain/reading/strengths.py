"""The strength that the words of a name give, weighed against what its codes stand for."""

from collections.abc import Mapping, Sequence
from fractions import Fraction

from msgspec.structs import replace

from crossgrain.dosing.bases import T3_UG_PER_GRAIN, T4_UG_PER_GRAIN
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.errors import Asked
from crossgrain.reading.names import NamedMedicine
from crossgrain.reading.product import Product, line_of_tablet, only_line
from crossgrain.reading.quantities import Amount
from crossgrain.reading.units import Dimension


def with_words(
    product: Product,
    named: Sequence[NamedMedicine],
    coded: bool,
    preparations: Mapping[str, Preparation],
    expression: str,
) -> Product:
    """Compare what the words say with the codes, and take from them what codes leave open."""
    per_ml = {concentration for name in named for concentration in name.per_ml}
    if len(per_ml) > 1:
        raise Asked(expression, "The names give two concentrations. Which one is right?")
    product = replace(
        product,
        per_ml=next(iter(per_ml), None),
        named_in_words=not coded,
        strength_in_words=bool(per_ml),
    )
    said = {_strength_said(product.kind, name, expression) for name in named} - {None}
    if len(said) > 1:
        raise Asked(expression, "The names give two strengths. Which one is taken?")
    amount = next(iter(said), None)
    if amount is not None:
        return _with_strength(product, amount, preparations, expression)
    if product.preparation is None:
        product = replace(product, preparation=only_line(product.kind, preparations))
    return product


def _strength_said(kind: Kind, name: NamedMedicine, expression: str) -> Amount | None:
    if not name.strengths:
        return None
    if kind is Kind.FIXED_RATIO:
        return _fixed_ratio_strength(name.strengths, expression)
    distinct = set(name.strengths)
    if len(distinct) > 1:
        distinct = _without_grain_beside_mg(distinct)
    if len(distinct) > 1:
        raise Asked(expression, "The name gives more than one strength. Which one is taken?")
    return distinct.pop()


def _without_grain_beside_mg(said: set[Amount]) -> set[Amount]:
    """``60 mg (1 grain)``: the mass stands for both where the label's grain makes them one."""
    grains = [a.value for a in said if a.dimension is Dimension.GRAIN]
    masses = [a for a in said if a.dimension is Dimension.MASS]
    if len(grains) == 1 and len(masses) == 1:
        per_grain = masses[0].value / 1000 / grains[0] if grains[0] else 0
        if per_grain in (60, 65):
            return set(masses)
    return said


def _fixed_ratio_strength(strengths: tuple[Amount, ...], expression: str) -> Amount:
    """The T4 part of ``50/12.5``: the larger of two that stand four to one.

    3.1 is printed for 3.125, so the ratio is taken to a fortieth.
    """
    masses = _two_masses(strengths)
    if masses and Fraction(39, 10) <= masses[1] / masses[0] <= Fraction(41, 10):
        return Amount(Dimension.MASS, masses[1])
    raise Asked(expression, "What are the T4 and the T3 content of one tablet?")


def _with_strength(
    product: Product,
    amount: Amount,
    preparations: Mapping[str, Preparation],
    expression: str,
) -> Product:
    """Put the strength that the words give to the product, or ask where the code differs."""
    if amount.dimension is Dimension.GRAIN:
        return _with_grains(product, amount.value, preparations, expression)
    in_mg = product.kind is Kind.DESICCATED_THYROID
    strength = amount.value / 1000 if in_mg else amount.value
    if product.strength is not None:
        if product.strength != strength:
            raise Asked(
                expression,
                f"The code stands for {as_written(product.strength)}"
                f" {'mg' if in_mg else 'micrograms'} and"
                f" the words beside it for {as_written(strength)}. Which one is taken?",
            )
        return product
    line = product.preparation or line_of_tablet(product.kind, strength, preparations)
    return replace(product, preparation=line, strength=strength, strength_in_words=True)


def _with_grains(
    product: Product,
    grains: Fraction,
    preparations: Mapping[str, Preparation],
    expression: str,
) -> Product:
    if product.kind is not Kind.DESICCATED_THYROID:
        raise Asked(expression, "Only desiccated thyroid is labelled in grains. What is taken?")
    if product.preparation and product.strength is not None:
        if product.preparation.grains(product.strength) != grains:
            raise Asked(
                expression,
                f"The code stands for {as_written(product.strength)} mg and the words beside it for"
                f" {as_written(grains)} grain. Which one is taken?",
            )
        return product
    return replace(product, strength_grains=grains, strength_in_words=True)


def _two_masses(strengths: tuple[Amount, ...]) -> tuple[Fraction, Fraction] | None:
    masses = sorted({a.value for a in strengths if a.dimension is Dimension.MASS})
    return (masses[0], masses[1]) if len(masses) == 2 and masses[0] else None


def named_by_content(name: NamedMedicine) -> NamedMedicine:
    """Desiccated thyroid that is named by its content, ``38/9``, under its own kind.

    Product registers list its tablets so; the ratio is that of a grain, 38 µg T4 to 9 µg T3.
    """
    masses = _two_masses(name.strengths)
    both = {Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE} <= name.kinds
    if not both or masses is None or masses[1] / masses[0] != T4_UG_PER_GRAIN / T3_UG_PER_GRAIN:
        return name
    grains = Amount(Dimension.GRAIN, masses[1] / T4_UG_PER_GRAIN)
    return replace(name, kinds=frozenset({Kind.DESICCATED_THYROID}), strengths=(grains,))
