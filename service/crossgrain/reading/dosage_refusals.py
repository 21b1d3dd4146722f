"""What in a dosage leaves its dose open whatever its numbers say, so that it is asked about."""

import re

from crossgrain.reading.elements import Dosage
from crossgrain.reading.errors import Asked


def refuse_what_leaves_it_open(dosage: Dosage, path: str) -> None:
    """Ask about a modifier, the shape of an older FHIR, and a dose taken as needed.

    Raises
    ------
    Asked
        naming the element.
    """
    if dosage.modifier:
        raise Asked(
            f"{path}.modifierExtension",
            "The dosage carries a modifier that is not known. What dose is taken?",
        )
    if dosage.dose_quantity is not None or dosage.dose_range is not None:
        raise Asked(
            path,
            "The dosage is in the shape of STU3: its dose stands outside doseAndRate. What"
            " dose is taken, in the shape of R4?",
        )
    as_needed = dosage.as_needed_boolean or dosage.as_needed
    if as_needed or dosage.as_needed_codeable_concept or dosage.as_needed_for:
        raise Asked(
            f"{path}.asNeeded",
            "The dose is taken as needed. How much is taken on a usual day?",
        )


_ORAL_CODES = {"26643006", "PO", "260548002"}
"""Oral route and oral in SNOMED CT; PO in HL7 v3."""
_ORAL_WORDS = {"oral", "orally", "by mouth", "po", "oral route", "oral use", "per os"}
_PAST_THE_GUT = re.compile(r"intra|inject|infus|subcut|parenteral|\b(?:iv|im|sc|sq)\b")
"""Words of a route that no code beside them can make oral."""


def refuse_other_routes(dosage: Dosage, path: str) -> None:
    """Ask about a route that is not by mouth: by vein or muscle the same dose is another.

    Raises
    ------
    Asked
        where neither its words nor its codes say so, or the words say otherwise.
    """
    if dosage.route is None:
        return
    said = [dosage.route.text, *(coding.display for coding in dosage.route.coding)]
    words = {word.casefold().strip().rstrip(".") for word in said if word}
    codes = {coding.code for coding in dosage.route.coding if coding.code}
    if not words and not codes:
        return
    oral = (words and words <= _ORAL_WORDS) or (codes and codes <= _ORAL_CODES)
    if not oral or any(map(_PAST_THE_GUT.search, words)):
        raise Asked(
            f"{path}.route", "The route is not known to be by mouth. How much is taken by mouth?"
        )
