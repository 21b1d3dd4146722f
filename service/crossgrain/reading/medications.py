"""The Medication behind a medicine: contained, in the bundle, or only named."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from msgspec.structs import replace

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import UCUM
from crossgrain.reading.elements import Asked, CodeableConcept, Quantity, Ratio, Reference
from crossgrain.reading.medicines import is_told, product_of
from crossgrain.reading.names import is_not_oral
from crossgrain.reading.product import Product, line_of_tablet
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
    product = (
        product_of(medication.code, codes, preparations, f"{path}.code")
        if medication.code
        else None
    )
    parts = [
        (found, part, f"{path}.ingredient[{number}]")
        for number, part in enumerate(medication.ingredient)
        if part.is_active is not False
        and (found := _ingredient(part, codes, preparations, f"{path}.ingredient[{number}]"))
    ]
    if product is None and not parts:
        return None
    if medication.modifier:
        raise Asked(
            f"{path}.modifierExtension",
            "The medication carries a modifier that is not known. What is taken?",
        )
    _refuse_other_forms(medication, path)
    for found, part, place in parts:
        if len(parts) > 1 and product is None:
            raise Asked(
                f"{path}.ingredient",
                "The medication has several thyroid hormones as ingredients. Which product is it?",
            )
        product = product or replace(found, strength=None)
        if len(parts) == 1:
            product = _with_ingredient(product, found, part, preparations, place)
    return product


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
    product: Product,
    found: Product,
    part: Ingredient,
    preparations: Mapping[str, Preparation],
    path: str,
) -> Product:
    """Add the strength of the one hormone in a Medication, or ask where it differs."""
    if found.kind is not product.kind:
        raise Asked(
            path, f"The product is {product.kind} and its ingredient {found.kind}. Which is it?"
        )
    if part.modifier:
        raise Asked(
            f"{path}.modifierExtension",
            "The ingredient carries a modifier that is not known. What does the product hold?",
        )
    ratio = part.strength or part.strength_ratio
    if part.strength_quantity is not None:  # R5: so much in one piece
        ratio = Ratio(part.strength_quantity, _ONE_PIECE)
    if ratio is None:
        return product
    return _with_ratio(product, ratio, preparations, f"{path}.strength")


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
    if product.strength not in (None, strength):
        raise Asked(
            path,
            f"The product's name or code says {as_written(product.strength or Fraction(0))} and its"
            f" ingredient {as_written(strength)}. Which one is taken?",
        )
    line = product.preparation or line_of_tablet(product.kind, strength, preparations)
    return replace(product, preparation=line, strength=strength)
