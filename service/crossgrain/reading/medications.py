"""The Medication behind a medicine: contained, in the bundle, or only named."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from operator import itemgetter
from typing import Any, NamedTuple

from msgspec.structs import replace

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import UCUM
from crossgrain.reading.elements import (
    Asked,
    CodeableConcept,
    Quantity,
    Ratio,
    Reference,
    Unreadable,
)
from crossgrain.reading.medicines import is_told, is_with_iodide, product_of
from crossgrain.reading.names import is_not_oral
from crossgrain.reading.product import Product, is_base_of, labelled_for_base, line_of_tablet
from crossgrain.reading.quantities import Dimension, concentration
from crossgrain.reading.reading import Reading
from crossgrain.reading.resolve import Entry, refuse_implicit_rules
from crossgrain.reading.views import Ingredient, Medication, Medicine, view

_IN_ERROR = "entered-in-error"
_ONE_PIECE = Quantity(value=1, code="1", system=UCUM)


def named_in(seen: Medicine) -> tuple[CodeableConcept | None, Reference | None]:
    """The concept or the reference that a medicine names, in either version's shape."""
    if seen.medication is not None:
        return seen.medication.concept, seen.medication.reference
    return seen.medication_codeable_concept, seen.medication_reference


def medication_of(
    reference: Reference, seen: Medicine, reading: Reading, entry: Entry
) -> tuple[Medication | None, str]:
    """The Medication that a reference points to, with its FHIRPath; ``None`` if not there."""
    found, path = referred(reference, seen.contained, entry.path, entry, reading)
    if found is None or found.get("resourceType") not in (None, "Medication"):
        return None, entry.path
    if found.get("status") == _IN_ERROR:
        return None, entry.path
    medication = view(found, Medication, path)
    own = reading.index.find(reference, entry)
    if own is not None:
        reading.notes.use(own.path, own.reference)
        return _with_substances(medication, medication.contained, path, entry, reading), path
    return _with_substances(medication, seen.contained, entry.path, entry, reading), path


def referred(
    reference: Reference,
    contained: Sequence[dict[str, Any]],
    path: str,
    entry: Entry,
    reading: Reading,
) -> tuple[dict[str, Any] | None, str]:
    """The resource that a reference leads to, contained or in the bundle, with its FHIRPath."""
    target = reference.reference or ""
    if target.startswith("#"):
        number = _places_inside(contained, path, reading).get(target[1:])
        if number is None:
            return None, path
        place = f"{path}.contained[{number}]"
        refuse_implicit_rules(contained[number], place)
        return contained[number], place
    found = reading.index.find(reference, entry)
    return (found.resource, found.path) if found else (None, path)


def _places_inside(
    contained: Sequence[dict[str, Any]], path: str, reading: Reading
) -> dict[str, int]:
    """Where each contained resource stands by its id, the first of its name; made once."""
    if path not in reading.inside:
        numbered = [(inside.get("id"), number) for number, inside in enumerate(contained)]
        reading.inside[path] = {i: n for i, n in reversed(numbered) if isinstance(i, str)}
    return reading.inside[path]


def _with_substances(
    medication: Medication,
    contained: Sequence[dict[str, Any]],
    path: str,
    entry: Entry,
    reading: Reading,
) -> Medication:
    """The same, each ingredient that is only referred to under the name of what it leads to."""
    parts = tuple(
        replace(part, item_codeable_concept=_substance(part, contained, path, entry, reading))
        if part.substance is None and part.pointer is not None
        else part
        for part in medication.ingredient
    )
    return replace(medication, ingredient=parts)


def _substance(
    part: Ingredient,
    contained: Sequence[dict[str, Any]],
    path: str,
    entry: Entry,
    reading: Reading,
) -> CodeableConcept | None:
    pointer = part.pointer or Reference()
    found, place = referred(pointer, contained, path, entry, reading)
    code, place = (found or {}).get("code"), f"{place}.code"
    if isinstance(code, dict) and "concept" in code:  # a Substance of R5
        code, place = code["concept"], f"{place}.concept"
    if code:
        return view(code, CodeableConcept, place)
    return CodeableConcept(text=pointer.display) if pointer.display else None


def name_of(medication: Medication, codes: CodeTables) -> CodeableConcept | None:
    """What a Medication is called: by its code, else by its ingredients where each is named."""
    if is_told(medication.code, codes):
        return medication.code
    named = [s for part in medication.ingredient if (s := part.substance) and is_told(s, codes)]
    if not named or len(named) < len(medication.ingredient):
        return medication.code
    return CodeableConcept(
        coding=tuple(coding for substance in named for coding in substance.coding),
        text=", ".join(substance.text for substance in named if substance.text) or None,
    )


def product_in(
    medication: Medication,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    path: str,
) -> Product | None:
    """The thyroid product that a Medication is: by its code, its ingredients, or both.

    Raises
    ------
    Asked
        where the two differ, or the content cannot be told.
    """
    parts = _hormones_in(medication, codes, preparations, path)
    product = _by_code(medication, parts, codes, preparations, path)
    if product is None and not parts:
        return None
    if medication.modifier:
        raise Asked(
            f"{path}.modifierExtension",
            "The medication carries a modifier that is not known. What is taken?",
        )
    _refuse_other_forms(medication, path)
    parts = _without_base(_that_say_more(parts, product))
    if len(parts) > 1 and (product is None or product.kind in _OF_ONE_HORMONE):
        raise Asked(
            f"{path}.ingredient",
            "The medication has several thyroid hormones as ingredients. Which product is it?",
        )
    for hormone in parts:
        product = product or replace(hormone.found, strength=None)
        if len(parts) == 1:
            product = _with_ingredient(product, hormone, preparations)
        else:
            _refuse_other_content(product, hormone)
    return product


_OF_ONE_HORMONE = {Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE}


class HormonePart(NamedTuple):
    """An ingredient that is thyroid hormone, what it names, and its FHIRPath."""

    found: Product
    part: Ingredient
    place: str

    @property
    def strength(self) -> Ratio | None:
        """So much in so much of the product."""
        if self.part.strength_quantity is not None:  # R5: so much in one piece
            return Ratio(self.part.strength_quantity, _ONE_PIECE)
        return self.part.strength or self.part.strength_ratio

    @property
    def micrograms(self) -> Fraction | None:
        """What one piece holds, where that is told as a mass and nothing qualifies it."""
        if self.strength is None or self.part.modifier:
            return None
        try:
            above, below = concentration(self.strength, self.place)
        except (Asked, Unreadable):
            return None
        each = (above.dimension, below.dimension) == (Dimension.MASS, Dimension.PIECE)
        return above.value / below.value if each else None


def _hormones_in(
    medication: Medication,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    path: str,
) -> list[HormonePart]:
    """The active ingredients that are thyroid hormone."""
    return [
        HormonePart(found, part, place)
        for number, part in enumerate(medication.ingredient)
        if part.is_active is not False
        and (
            found := _ingredient(part, codes, preparations, place := f"{path}.ingredient[{number}]")
        )
    ]


def _by_code(
    medication: Medication,
    parts: Sequence[HormonePart],
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    path: str,
) -> Product | None:
    """What the code of a Medication says that it is."""
    if medication.code is None:
        return None
    apart = _beside_iodide(medication, parts) if is_with_iodide(medication.code) else None
    return product_of(medication.code, codes, preparations, f"{path}.code", apart)


def _beside_iodide(medication: Medication, parts: Sequence[HormonePart]) -> Fraction | None:
    """The T4 of a product of T4 and iodide, µg, where its ingredients tell the two apart."""
    active = [part for part in medication.ingredient if part.is_active is not False]
    if len(active) != 2 or len(parts) != 1:
        return None
    (hormone,) = parts
    other = active[active[0] is hormone.part]
    named = other.substance is not None and is_with_iodide(other.substance)
    told = other.strength or other.strength_ratio or other.strength_quantity
    if hormone.found.kind is not Kind.LEVOTHYROXINE or not named or not told or other.modifier:
        return None
    return hormone.micrograms


def _that_say_more(parts: list[HormonePart], product: Product | None) -> list[HormonePart]:
    """Without those that name the hormone of the product once more, and nothing else."""
    if product is None:
        return parts
    return [
        hormone
        for hormone in parts
        if hormone.found.kind is not product.kind or hormone.strength or hormone.part.modifier
    ]


def _refuse_other_content(product: Product, hormone: HormonePart) -> None:
    """Ask where a product of T4 and T3 lists another T4 than its strength holds."""
    line, strength, listed = product.preparation, product.strength, hormone.micrograms
    if hormone.found.kind is not Kind.LEVOTHYROXINE:
        return
    if line and strength and listed and line.t4_ug(strength) != listed:
        raise Asked(
            hormone.place,
            f"The product's name or code stands for {as_written(line.t4_ug(strength))} micrograms"
            f" of T4 and its ingredient for {as_written(listed)}. Which one is taken?",
        )


def _without_base(parts: list[HormonePart]) -> list[HormonePart]:
    """Of one hormone that is listed as salt and as base, the salt, by which it is labelled."""
    if len(parts) != 2 or parts[0].found.kind is not parts[1].found.kind:
        return parts
    told = [(ug, part) for part in parts if (ug := part.micrograms) is not None]
    if len(told) != 2:
        return parts
    base, salt = sorted(told, key=itemgetter(0))
    line = salt[1].found.preparation
    return [salt[1]] if is_base_of(base[0], salt[0], line) else parts


def _refuse_other_forms(medication: Medication, path: str) -> None:
    """Hormone by vein or through the skin is another dose than by mouth."""
    for name, form in (("form", medication.form), ("doseForm", medication.dose_form)):
        words = [form.text, *(coding.display for coding in form.coding)] if form else []
        if any(is_not_oral(word) for word in words if word):
            raise Asked(
                f"{path}.{name}",
                "The product is not one that is swallowed. How much is taken by mouth?",
            )


def _ingredient(
    part: Ingredient, codes: CodeTables, preparations: Mapping[str, Preparation], path: str
) -> Product | None:
    concept = part.substance
    return product_of(concept, codes, preparations, f"{path}.item") if concept else None


def _with_ingredient(
    product: Product, hormone: HormonePart, preparations: Mapping[str, Preparation]
) -> Product:
    """Add the strength of the one hormone in a Medication, or ask where it differs."""
    found, part, path = hormone
    if found.kind is not product.kind:
        raise Asked(
            path, f"The product is {product.kind} and its ingredient {found.kind}. Which is it?"
        )
    if part.modifier:
        raise Asked(
            f"{path}.modifierExtension",
            "The ingredient carries a modifier that is not known. What does the product hold?",
        )
    if hormone.strength is None:
        return product
    return _with_ratio(product, hormone.strength, preparations, f"{path}.strength")


def _with_ratio(
    product: Product, ratio: Ratio, preparations: Mapping[str, Preparation], path: str
) -> Product:
    above, below = concentration(ratio, path)
    if above.dimension is not Dimension.MASS:
        raise Asked(
            path, "The strength is no mass. What does one tablet hold, in micrograms or mg?"
        )
    if below.dimension is Dimension.VOLUME:
        return _with_concentration(product, above.value / below.value, path)
    if below.dimension is not Dimension.PIECE:
        raise Asked(path, "The strength is not per tablet or per mL. What does one hold?")
    each = above.value / below.value
    strength = each / 1000 if product.kind is Kind.DESICCATED_THYROID else each
    return _agreeing(product, strength, preparations, path)


def _with_concentration(product: Product, per_ml: Fraction, path: str) -> Product:
    if product.per_ml not in (None, per_ml):
        raise Asked(
            path,
            f"The product's name says {as_written(product.per_ml or Fraction(0))}"
            f" micrograms in one mL and its"
            f" ingredient {as_written(per_ml)}. Which one is right?",
        )
    return replace(product, per_ml=per_ml)


def _agreeing(
    product: Product, strength: Fraction, preparations: Mapping[str, Preparation], path: str
) -> Product:
    """The product with a strength beside its own, which must be the same, of salt or of base."""
    known = product.strength
    if known is None:
        salt = labelled_for_base(strength, product.preparation)
        if salt is not None:
            raise Asked(
                path,
                f"One tablet holds {as_written(strength)} micrograms, which is what"
                f" {as_written(salt)} micrograms of the sodium salt hold as base. With which"
                " strength is it labelled?",
            )
    elif is_base_of(strength, known, product.preparation):
        return product
    elif known != strength and not is_base_of(known, strength, product.preparation):
        raise Asked(
            path,
            f"The product's name or code says {as_written(known)} and its"
            f" ingredient {as_written(strength)}. Which one is taken?",
        )
    line = product.preparation or line_of_tablet(product.kind, strength, preparations)
    return replace(product, preparation=line, strength=strength)
