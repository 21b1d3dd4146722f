"""Which thyroid medicine a record names: codes, displays, text and ingredients weighed.

Public data puts the same code to different tablets, so a code never wins over the words
beside it: where they differ, the reader asks.
"""

from collections.abc import Iterable, Mapping, Sequence

import msgspec

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.fhir.read.code_tables import CodeTables, MedicineCode
from crossgrain.fhir.read.elements import CodeableConcept, Coding
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.names import NamedMedicine, read_name
from crossgrain.fhir.read.product import Product
from crossgrain.fhir.read.quantities import plain
from crossgrain.fhir.read.remembered import Remembered
from crossgrain.fhir.read.strengths import named_by_content, with_words


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
    return with_words(product, evidence.named, bool(evidence.coded), preparations, expression)


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
    if name.not_oral:
        raise Asked(
            expression, "The product is not one that is swallowed. How much is taken by mouth?"
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
