"""What a clinic calls its own products, found in the words of a record.

A name of the clinic's file is not passed over where it stands within longer words:

==========================================================  ====================================
the words are                                               the medicine is
==========================================================  ====================================
a whole name; a name with one of its strengths              that product
a name with another number where its strength stands        asked about
a name, and beside it only a strength, a form or a salt     that product, its strength compared
a name, or its words without its number, and anything else  asked about
==========================================================  ====================================

Words that name a hormone by themselves are read as such, and compared with the product.
"""

import re
from dataclasses import replace
from fractions import Fraction

import msgspec

from crossgrain.names.printing import as_written
from crossgrain.reading.code_tables import AliasPattern, MedicineCode, OwnNames
from crossgrain.reading.hormone_names import folded
from crossgrain.reading.names import read_name
from crossgrain.reading.schedule import plain_words

STRENGTH = "{strength}"
"""Where the number stands in a name of the clinic's file."""
NUMBER = r"(\d{1,6}(?:[.,]\d{1,6})?)"
_BESIDE = re.compile(
    r"(?:(?:\d+(?:\.\d+)? ?-?)?(?:mcgs?|ug|micrograms?|microgrammes?|mg)\b|"
    r"\b(?:tablets?|tabs?|capsules?|caps?|oral|sodium|solution|per|ml|uncoated|film[- ]coated)\b|"
    # German, French, Spanish, Italian, Dutch: from memory
    r"\b(?:tabletten?|tbl|filmtabletten|kapseln?|natrium|comprimes?|gelules?|comprimidos?|"
    r"capsulas?|compress[ae]|capsule|sodique|sodica|mikrogramm|microgrammi|microgramos?)\b|"
    r"[\s(),./-])*"
)
"""What may stand beside a name and says nothing against it."""


class OwnName(msgspec.Struct, frozen=True):
    """A name of the clinic's file in the words of a record.

    Attributes
    ----------
    meaning : the product; ``None`` where only the opening of its name stands there
    whole : the words hold nothing else
    unknown : the question, where it is not certain that the product is meant
    """

    meaning: MedicineCode | None
    whole: bool = True
    unknown: str = ""


def name_in_file(words: str) -> str:
    """A name as it is looked for."""
    return plain_words(folded(words))


def own_name_in(text: str, names: OwnNames) -> OwnName | None:
    """The product of the clinic's own that the words name, or ``None``."""
    if names.inside is None:
        return None
    words = name_in_file(text)
    if known := names.whole.get(words):
        return OwnName(known)
    for pattern in names.patterns:
        if found := pattern.words.fullmatch(words):
            return _with_number(pattern, found[1])
    within = names.inside.search(words)
    if within is None:
        return None
    meaning = names.whole.get(within[0]) or names.leads[within[0]]
    named = read_name(text)
    if named is not None and named.kinds:  # the words are compared with the product
        return OwnName(meaning, whole=False) if meaning else None
    beside = f"{words[: within.start()]} {words[within.end() :]}"
    sure = meaning is not None and _BESIDE.fullmatch(beside)
    return OwnName(meaning, whole=False, unknown="" if sure else _MORE)


_MORE = (
    "The words hold the name of one of the clinic's own thyroid products, and more. What is taken,"
    " and how much T4 and T3 does it hold?"
)


def _with_number(pattern: AliasPattern, number: str) -> OwnName:
    strength = Fraction(number.replace(",", ".")) * pattern.factor
    meaning = replace(pattern.meaning, strength=strength)
    if strength in pattern.strengths:
        return OwnName(meaning)
    return OwnName(
        meaning,
        unknown=f"The name gives a strength of {as_written(strength)}, in which the clinic's own"
        " product of this name is not listed. Which one is taken?",
    )
