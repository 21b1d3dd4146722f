"""Medicine names: the generic thyroid hormones in text, with the strength that stands there.

The names are the international ones and their near spellings; a product's own name is known
only through a deployer's alias file. What is found here was read from text, and says so.
"""

import re
from fractions import Fraction

import msgspec

from crossgrain.dosing.preparations import Kind
from crossgrain.fhir.read.quantities import Amount
from crossgrain.fhir.read.remembered import Remembered
from crossgrain.fhir.read.sig_words import plain_words
from crossgrain.fhir.read.units import Dimension, unit_of_word

_T4 = r"levo-?th?yroxin(?:e|um)?|l-?thyroxine|l[ée]vothyroxine|levotiroxina|thyroxine|lt4"
_T3 = r"(?:lio|leo)-?th?yronin(?:e|um)?|liotironina|tri-?iodothyronine|lt3"
_GLAND = (
    r"(?:desiccated|porcine|pork|natural) thyroid|thyroid,? desiccated|"
    r"thyroid \(?(?:usp|pork|porcine|extract|gland|tabs?|tablets?|oral)\b|"
    r"thyroid,? (?:usp|pork|porcine)|thyroid(?=,? \.?\d)|\bgrains? (?:of )?thyroid|"
    r"mg thyroid\b|thyroideum|^thyroid$"
)
_NAMES = (
    (Kind.LEVOTHYROXINE, re.compile(rf"\b(?:{_T4})\b")),
    (Kind.LIOTHYRONINE, re.compile(rf"\b(?:{_T3})\b")),
    (Kind.DESICCATED_THYROID, re.compile(_GLAND)),
    (Kind.FIXED_RATIO, re.compile(r"\bliotrix\b")),
)
_HINT = re.compile(r"thyr|tirox|tiron|thyox|\blt[34]\b|liotrix")
"""Every name above matches it; most medicines do not, and cost one search."""
_NOT_HORMONE = re.compile(
    r"anti-?thyroid|thyrotropin|thyroid[- ]stimulating|thyroid (?:peroxidase|eye)"
)
_MADE_UP = re.compile(
    r"compound(?:ed|ing)?\b|(?:sustained|slow|extended|prolonged|timed?)[- ]release|"
    r"\b(?:sr|xr|er)\b"
)
_NOT_ORAL = re.compile(
    r"\b(?:inject(?:ion|able|ed)|intravenous|intramuscular|iv|infusion|parenteral|vials?|"
    r"ampou?les?|ampules?|sublingual|topical|cream|ointment|patch|suppository)\b"
)
_IODIDE = re.compile(r"iodide|\biodine")
_STRENGTH = re.compile(
    r"(?<![\w./])(?<!\d[-,])"  # no part of a range, of a decimal comma or of a longer number
    r"(?:(?P<w>\d+) )?(?P<n>\d+(?:\.\d+)?(?:/\d+(?:\.\d+)?)?|\.\d+)[ -]?"
    r"(?P<u>mcg|ug|micrograms?|microgrammes?|mg|g|gr|grains?)\b"
    r"(?:\s?/\s?(?P<dn>\d+(?:\.\d+)?)?\s?(?P<du>ml|tablet|tab|capsule|cap|1)\b)?"
    # what is followed by how often is a dose, and no strength
    r"(?!\s?(?:/\s?d(?:ay)?\b|per day|a day|daily|once|twice|qd|bid|tid|od\b))"
)

_LONGEST_STRENGTH = 60
"""Characters: Python refuses thousands of digits, and no strength needs more than a few."""


class NamedMedicine(msgspec.Struct, frozen=True):
    """What a medicine's name says.

    Attributes
    ----------
    kinds : the hormones named
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


def read_name(words: str) -> NamedMedicine | None:
    """The thyroid hormones that a medicine's name holds, or ``None``.

    Examples
    --------
    >>> found = read_name("Levothyroxine Sodium 0.075 MG Oral Tablet")
    >>> sorted(found.kinds), found.strengths[0].value
    ([<Kind.LEVOTHYROXINE: 'levothyroxine'>], Fraction(75, 1))
    >>> read_name("thyroid 60 mg tab").strengths[0].value
    Fraction(60000, 1)
    >>> read_name("lisinopril 10 mg tablet")
    """
    return _NAMED[words]


def _read(words: str) -> NamedMedicine | None:
    lower = words.casefold()
    if not _HINT.search(lower) or _NOT_HORMONE.search(lower):
        return None
    plain = plain_words(words)
    kinds = frozenset(kind for kind, name in _NAMES if name.search(plain))
    if not kinds:
        return None
    strengths, per_ml = _strengths(plain)
    return NamedMedicine(
        kinds,
        strengths,
        per_ml,
        made_up=bool(_MADE_UP.search(plain)),
        iodide=bool(_IODIDE.search(plain)),
        not_oral=is_not_oral(plain),
    )


_NAMED = Remembered(_read, len)


def is_not_oral(words: str) -> bool:
    """Whether the words name a form that is not swallowed.

    >>> is_not_oral("solution for injection"), is_not_oral("oral solution")
    (True, False)
    """
    return bool(_NOT_ORAL.search(words.casefold()))


def _strengths(plain: str) -> tuple[tuple[Amount, ...], tuple[Fraction, ...]]:
    amounts: list[Amount] = []
    per_ml: list[Fraction] = []
    for found in _STRENGTH.finditer(plain):
        unit = unit_of_word(found["u"])
        if unit is None:
            continue
        value = _number(found, unit.dimension)
        if value is None:
            continue
        amount = Amount(unit.dimension, value * unit.factor)
        if found["du"] == "ml" and unit.dimension is Dimension.MASS:
            if volume := Fraction(found["dn"] or 1):
                per_ml.append(amount.value / volume)
        else:
            amounts.append(amount)
    return tuple(amounts), tuple(per_ml)


def _number(found: re.Match[str], dimension: Dimension) -> Fraction | None:
    """A number; a fraction only of a grain, for ``100/25 µg`` are two contents and no ratio."""
    if len(found[0]) > _LONGEST_STRENGTH:
        return None
    if "/" not in found["n"]:
        return Fraction(found["n"]) if found["w"] is None else None
    above, below = found["n"].split("/")
    if dimension is not Dimension.GRAIN or Fraction(above) >= Fraction(below):
        return None
    return int(found["w"] or 0) + Fraction(above) / Fraction(below)
