"""Medicine names: the thyroid hormones in text, with the strength that stands there.

What is found here was read from text, and says so.
"""

import re
from fractions import Fraction

import msgspec

from crossgrain.dosing.preparations import Kind
from crossgrain.reading.hormone_names import folded, kinds_named, looks_like_hormone
from crossgrain.reading.quantities import Amount
from crossgrain.reading.remembered import Remembered
from crossgrain.reading.sig_words import plain_words
from crossgrain.reading.units import Dimension, unit_of_word

_MADE_UP = re.compile(
    r"compound(?:ed|ing)?\b|(?:sustained|slow|extended|prolonged|timed?)[- ]release|"
    r"\b(?:sr|xr|er)\b|"
    # from memory: other European languages
    r"retard|verzogert|prolongad|prolongee|rilascio|magistral|manipulad|rezeptur"
)
_NOT_ORAL = re.compile(
    r"\b(?:injec\w*|intravenous|intramuscular|iv|infusion\w*|parenteral\w*|vials?|"
    r"ampou?les?|ampules?|sublingual\w*|topical|cream|ointment|patch|suppository)\b|"
    # from memory: other European languages
    r"inje[kt]|inyec|iniez|iniett|intraven|endoven|intramusk|perfus|durchstechfl|"
    r"\bampull|\bampol|\bfial[ae]\b|\bsalbe|\bcrem[ae]\b|\bpomada|\bunguent|\bpflaster|\bparche|"
    r"\bzapfchen|\bsupposit"
)
_IODIDE = re.compile(r"iodid|\biodine|jodid|[iy]odur|joduur|\biode\b|\bjod\b|\bjodek|jodki|joodi")
_STRENGTH = re.compile(
    r"(?<![\w./])(?<!\d[-,:])"  # no part of a range, a ratio, a decimal comma or a longer number
    r"(?:(?P<w>\d+) )?(?P<n>\d+(?:\.\d+)?(?:/\d+(?:\.\d+)?)?|\.\d+)[ -]?"
    r"(?P<u>mcg|ug|micrograms?|microgrammes?|mg|g|gr|grains?)\b"
    r"(?:\s?/\s?(?P<dn>\d+(?:\.\d+)?)?\s?(?P<du>ml|tablet|tab|capsule|cap|1)\b)?"
    # what is followed by how often is a dose, and no strength
    r"(?!\s?(?:/\s?d(?:ay)?\b|per day|a day|daily|once|twice|qd|bid|tid|od\b))"
)

_LONGEST_NAME = 1000
"""Characters: a name that is longer is a text, and is asked about."""
_LONGEST_STRENGTH = 60
"""Characters: Python refuses thousands of digits, and no strength needs more than a few."""


class NamedMedicine(msgspec.Struct, frozen=True):
    """What a medicine's name says.

    Attributes
    ----------
    kinds : the hormones named; none where the words only look as if they named one
    strengths : the amounts that stand in it, in order
    per_ml : µg in one mL, for a liquid, as often as it is said
    made_up : compounded or of modified release, whose content is not known
    iodide : names iodide beside the hormone
    not_oral : names a form that is not swallowed
    """

    kinds: frozenset[Kind]
    strengths: tuple[Amount, ...] = ()
    per_ml: tuple[Fraction, ...] = ()
    made_up: bool = False
    iodide: bool = False
    not_oral: bool = False

    @property
    def product_kinds(self) -> frozenset[Kind]:
        """What a product so named may be: T4 and T3 in one name are one product of both."""
        both = {Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE} <= self.kinds
        return frozenset({Kind.FIXED_RATIO}) if both else self.kinds


def read_name(words: str) -> NamedMedicine | None:
    """The thyroid hormones that a medicine's name holds; ``None`` for any other medicine.

    A name that looks like one of a hormone and is not known comes back without a kind.

    Examples
    --------
    >>> found = read_name("Levothyroxine Sodium 0.075 MG Oral Tablet")
    >>> sorted(found.kinds), found.strengths[0].value
    ([<Kind.LEVOTHYROXINE: 'levothyroxine'>], Fraction(75, 1))
    >>> read_name("thyroid 60 mg tab").strengths[0].value
    Fraction(60000, 1)
    >>> read_name("thyro-complex 100 mcg").kinds
    frozenset()
    >>> read_name("lisinopril 10 mg tablet")
    """
    return _NAMED[words]


def read_product_words(words: str) -> NamedMedicine:
    """What the words say of a medicine that is known for a hormone by its code."""
    plain = plain_words(folded(words))
    strengths, per_ml = _strengths(plain)
    return NamedMedicine(
        kinds_named(plain),
        strengths,
        per_ml,
        made_up=bool(_MADE_UP.search(plain)),
        iodide=bool(_IODIDE.search(plain)),
        not_oral=is_not_oral(plain),
    )


def _read(words: str) -> NamedMedicine | None:
    if not looks_like_hormone(folded(words)):
        return None
    if len(words) > _LONGEST_NAME:
        return NamedMedicine(frozenset())
    return read_product_words(words)


_NAMED = Remembered(_read, len)


def is_not_oral(words: str) -> bool:
    """Whether the words name a form that is not swallowed.

    >>> is_not_oral("solution for injection"), is_not_oral("oral solution")
    (True, False)
    """
    return bool(_NOT_ORAL.search(folded(words)))


def _strengths(plain: str) -> tuple[tuple[Amount, ...], tuple[Fraction, ...]]:
    amounts: list[Amount] = []
    per_ml: list[Fraction] = []
    for found in _STRENGTH.finditer(plain):
        unit = unit_of_word(found["u"])
        if unit is None:
            continue
        for value in _numbers(found, unit.dimension):
            amount = Amount(unit.dimension, value * unit.factor)
            if found["du"] == "ml" and unit.dimension is Dimension.MASS:
                if volume := Fraction(found["dn"] or 1):
                    per_ml.append(amount.value / volume)
            else:
                amounts.append(amount)
    return tuple(amounts), tuple(per_ml)


def _numbers(found: re.Match[str], dimension: Dimension) -> tuple[Fraction, ...]:
    """The number before a unit; a fraction only of a grain: ``100/25 µg`` are two contents."""
    if len(found[0]) > _LONGEST_STRENGTH:
        return ()
    if "/" not in found["n"]:
        return (Fraction(found["n"]),) if found["w"] is None else ()
    above, below = map(Fraction, found["n"].split("/"))
    if dimension is not Dimension.GRAIN:
        return (above, below) if found["w"] is None else ()
    return (int(found["w"] or 0) + above / below,) if above < below else ()
