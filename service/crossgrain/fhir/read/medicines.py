"""Which thyroid medicine a record names: codes, displays, text and ingredients weighed.

Public data puts the same code to different tablets, so a code never wins over the words
beside it: where they differ, the reader asks.
"""

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

import msgspec
from msgspec.structs import replace

from crossgrain.dosing.bases import T3_UG_PER_GRAIN, T4_UG_PER_GRAIN
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.fhir.read.code_tables import CodeTables, MedicineCode
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.names import NamedMedicine, read_name
from crossgrain.fhir.read.product_lines import line_of_tablet, only_line
from crossgrain.fhir.read.quantities import Amount, plain
from crossgrain.fhir.read.remembered import Remembered
from crossgrain.fhir.read.units import Dimension
from crossgrain.fhir.read.views import CodeableConcept, Coding


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


def product_of(
    concept: CodeableConcept,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    expression: str,
) -> Product | None:
    """The thyroid medicine that a concept names; ``None`` for any other medicine.

    Raises
    ------
    Asked
        where codes and words differ, several hormones are named, or the content of the
        product is not known.
    """
    evidence = _EVIDENCE[codes, concept]
    if evidence is None:
        return None
    for name in evidence.named:
        _refuse_unknown_content(name, expression)
    meant = (*evidence.coded, *evidence.aliased)
    kind = _one_kind(meant, evidence.named, expression)
    product = _from_codes(kind, meant, expression)
    return _with_words(product, evidence.named, bool(evidence.coded), preparations, expression)


class _Evidence(msgspec.Struct, frozen=True):
    """What a concept's codes, a deployer's aliases and the words say of thyroid hormone."""

    coded: tuple[MedicineCode, ...]
    aliased: tuple[MedicineCode, ...]
    named: tuple[NamedMedicine, ...]


def _evidence(sought: tuple[CodeTables, CodeableConcept]) -> _Evidence | None:
    """What there is, or ``None`` for any other medicine."""
    codes, concept = sought
    coded = [found for c in concept.coding if (found := _meaning(c, codes))]
    texts = [*(c.display for c in concept.coding if c.display), concept.text or ""]
    aliased = [
        codes.aliases[t] for text in texts if (t := text.casefold().strip()) in codes.aliases
    ]
    named = [named_by_content(name) for text in texts if text and (name := read_name(text))]
    if not coded and not named and not aliased:
        return None
    return _Evidence(tuple(coded), tuple(aliased), tuple(named))


_EVIDENCE = Remembered(_evidence, lambda sought: sought[1].characters)


def _meaning(coding: Coding, codes: CodeTables) -> MedicineCode | None:
    if coding.system is None or coding.code is None:
        return None
    known = codes.medicines.get(coding.system)
    return known.get(coding.code) if known else None


def _refuse_unknown_content(name: NamedMedicine, expression: str) -> None:
    if name.made_up:
        raise Asked(
            expression,
            "A compounded or modified-release thyroid product: what is its T4 and T3 content,"
            " and as which plain preparation should it be counted?",
        )
    if name.iodide:
        raise Asked(
            expression, "The product holds iodide beside the hormone. What is its T4 content?"
        )


def _one_kind(
    coded: Iterable[MedicineCode], named: Iterable[NamedMedicine], expression: str
) -> Kind:
    kinds = {meaning.kind for meaning in coded}
    for name in named:
        both = {Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE} <= name.kinds
        kinds |= {Kind.FIXED_RATIO} if both else name.kinds
    if len(kinds) != 1:
        raise Asked(
            expression,
            f"The medicine is named as {' and as '.join(sorted(kinds))}. Which one is taken?",
        )
    return kinds.pop()


def _from_codes(kind: Kind, coded: Sequence[MedicineCode], expression: str) -> Product:
    said = {(c.preparation.id, c.strength): c for c in coded if c.preparation and c.strength}
    if len(said) > 1:
        strengths = sorted(c.strength for c in said.values() if c.strength)
        raise Asked(
            expression,
            f"The codes name different products ({', '.join(map(plain, strengths))})."
            " Which one is taken?",
        )
    for meaning in said.values():
        return Product(kind, meaning.preparation, meaning.strength)
    lines = {c.preparation.id: c.preparation for c in coded if c.preparation}
    return Product(kind, next(iter(lines.values())) if len(lines) == 1 else None)


def _with_words(
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
                f"The code stands for {plain(product.strength)} {'mg' if in_mg else 'µg'} and"
                f" the words beside it for {plain(strength)}. Which one is taken?",
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
                f"The code stands for {plain(product.strength)} mg and the words beside it for"
                f" {plain(grains)} grain. Which one is taken?",
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
