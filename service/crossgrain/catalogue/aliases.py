"""A clinic's own product names, checked entry by entry: whole ones, and ones with a strength.

::

    [[alias]]
    text = "our blue {strength} microgram tablets"
    preparation = "levothyroxine"
    strengths = ["25", "50"]
"""

import re
from dataclasses import dataclass, field
from fractions import Fraction

from crossgrain.catalogue.decoding import FileForm, Listed, Positive, Text
from crossgrain.names.numbers import refuse
from crossgrain.reading.code_tables import AliasPattern, MedicineCode, OwnNames
from crossgrain.reading.own_names import NUMBER, STRENGTH, name_in_file
from crossgrain.reading.quantities import Dimension, unit_of_word


class AliasEntry(FileForm):
    """A name by which a clinic knows a product of its own."""

    text: Text
    preparation: Text
    strength: Positive | None = None
    strengths: Listed[Positive] | None = None
    per_ml: Positive | None = None
    display: Text | None = None
    source: Text = ""


_LEAST_LETTERS = 3
"""What opens a name has so many: fewer stand in many another."""


@dataclass(slots=True)
class Names:
    """A deployer's product names while they are collected."""

    whole: dict[str, MedicineCode] = field(default_factory=dict)
    patterns: list[AliasPattern] = field(default_factory=list)
    leads: dict[str, MedicineCode | None] = field(default_factory=dict)

    def add(self, text: str, meaning: MedicineCode, place: str) -> None:
        """A whole name."""
        name = name_in_file(text)
        if name in self.whole:
            refuse(f"{place}.text", "this name stands twice")
        self.whole[name] = meaning
        lead = re.split(r"\d", name, maxsplit=1)[0].strip()
        if lead != name and sum(map(str.isalpha, lead)) >= _LEAST_LETTERS:
            self.leads.setdefault(lead, None)

    def add_pattern(self, entry: AliasEntry, meaning: MedicineCode, place: str) -> None:
        """A name in which one of several strengths stands."""
        if entry.text.count(STRENGTH) > 1:
            refuse(f"{place}.text", f"{STRENGTH} stands twice")
        if entry.strength or entry.per_ml:
            key = "strength" if entry.strength else "per_ml"
            refuse(f"{place}.{key}", f"the name holds {STRENGTH}: give `strengths` alone")
        if not entry.strengths:
            refuse(f"{place}.strengths", f"the name holds {STRENGTH}, so say which strengths exist")
        lead, tail = map(name_in_file, entry.text.split(STRENGTH))
        if not any(sign.isalpha() for sign in lead):
            refuse(f"{place}.text", f"words must stand before {STRENGTH}")
        words = re.compile(rf"{re.escape(lead)}\s?{NUMBER}[\s-]?{re.escape(tail)}")
        if any(each.words.pattern == words.pattern for each in self.patterns):
            refuse(f"{place}.text", "this name stands twice")
        factor = _factor_of_name(tail, meaning, f"{place}.text")
        self.patterns.append(AliasPattern(words, meaning, factor, frozenset(entry.strengths)))
        shared = self.leads.setdefault(lead, meaning)
        if shared is not None and not shared.means_the_same(meaning):
            self.leads[lead] = None

    def table(self) -> OwnNames:
        """The names as the reader looks for them."""
        names = sorted({*self.whole, *self.leads}, key=lambda name: (-len(name), name))
        listed = "|".join(map(re.escape, names))
        inside = re.compile(rf"(?<!\w)(?:{listed})(?!\w)(?![.,/]\d)") if names else None
        return OwnNames(self.whole, tuple(self.patterns), self.leads, inside)


def _factor_of_name(tail: str, meaning: MedicineCode, place: str) -> Fraction:
    """What one of the unit that follows the number is in the unit of the product line."""
    line = meaning.preparation
    word = re.match(r"[^\W\d_]+", tail)
    unit = unit_of_word(word[0]) if word else None
    if line is None or tail.startswith("/") or re.search(r"\bml\b", tail):
        refuse(place, "a solution is named in full, with `per_ml`")
    if unit is None or unit.dimension is Dimension.PIECE:
        return Fraction(1)
    grain = line.mg_per_grain
    if unit.dimension is Dimension.VOLUME or (unit.dimension is Dimension.GRAIN and not grain):
        refuse(place, "the number is in a unit that no tablet of this preparation is labelled in")
    if unit.dimension is Dimension.GRAIN and grain:
        return grain
    return unit.factor if line.unit == "ug" else unit.factor / 1000
