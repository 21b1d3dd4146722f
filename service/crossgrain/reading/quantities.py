"""Units by UCUM, and quantities in them, exactly.

A UCUM code is case-sensitive (``Mg`` is a megagram); a unit written as text is not. What is
no UCUM but has one meaning in practice (``mcg``) is read; what has two is not.
"""

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from importlib import import_module
from typing import Any

import msgspec

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.printing import as_written, unit_word
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import UCUM, Snomed
from crossgrain.reading.elements import Asked, Quantity, Ratio, ReadCategory, Unreadable

_DRUG_FORMS = (
    "http://terminology.hl7.org/CodeSystem/v3-orderableDrugForm",
    "http://hl7.org/fhir/v3/orderableDrugForm",
)
_LONGEST = 32
"""Characters of a UCUM code that the library is given: no dose unit is longer."""
_NO_DOSE = re.compile(r"\d{5}|/\{")
"""A code that the library is not given: it would work out ``10*99999999`` digit by digit, and
takes ``ug/{tbl}``, a strength, for a mass."""


class Dimension(StrEnum):
    """What a dose unit counts, with the unit that its factor leads to."""

    MASS = "mass"  # µg
    VOLUME = "volume"  # mL
    PIECE = "piece"  # one tablet or capsule
    GRAIN = "grain"  # one labelled grain, whatever it weighs


@frozen
class Unit:
    """A dose unit: what it counts, and how many base units one of it is."""

    dimension: Dimension
    factor: Fraction


def _mass(micrograms: str) -> Unit:
    return Unit(Dimension.MASS, Fraction(micrograms))


_PIECE = Unit(Dimension.PIECE, Fraction(1))
_GRAIN = Unit(Dimension.GRAIN, Fraction(1))
_MILLILITRE = Unit(Dimension.VOLUME, Fraction(1))

_CODES: Mapping[str, Unit] = {
    "ng": _mass("1/1000"),
    "ug": _mass("1"),
    "mg": _mass("1000"),
    "g": _mass("1000000"),
    "mL": _MILLILITRE,
    "ml": _MILLILITRE,
    "L": Unit(Dimension.VOLUME, Fraction(1000)),
    "[gr]": _GRAIN,
    "1": _PIECE,
    "{tbl}": _PIECE,
    "{tablet}": _PIECE,
    "{Tablet}": _PIECE,
    "{tab}": _PIECE,
    "{capsule}": _PIECE,
    "{cap}": _PIECE,
    "{Capsule}": _PIECE,
    # not UCUM, met under its name, and of one meaning
    "mcg": _mass("1"),
    "MCG": _mass("1"),
    "µg": _mass("1"),
    "μg": _mass("1"),
    "MG": _mass("1000"),
    "TAB": _PIECE,
    "TABS": _PIECE,
    "tablet": _PIECE,
    "tab": _PIECE,
    "CAP": _PIECE,
    "[tbl]": _PIECE,
}

_SPELLINGS: tuple[tuple[Unit, str], ...] = (
    (_mass("1/1000"), "ng nanogram nanograms"),
    (
        _mass("1"),
        "ug mcg mcgs microgram micrograms microgramme microgrammes microg"
        # from memory: German, Spanish, Italian, Portuguese, the Nordic languages, Polish, Czech
        " mikrogramm mikrogram microgramo microgramos microgrammo microgrammi micrograma"
        " microgramas mikrogramy mikrogramow mikrogramów mikrogramu mikrogramů",
    ),
    (_mass("1000"), "mg mgs milligram milligrams"),
    (_mass("1000000"), "g gram grams"),
    (_MILLILITRE, "ml mls milliliter milliliters millilitre millilitres"),
    (_GRAIN, "[gr] gr grain grains"),
    (
        _PIECE,
        "1 {tbl} {tablet} {tab} tab tabs tablet tablets tablet(s) tab(s) tbl"
        " {capsule} {cap} cap caps capsule capsules capsule(s)",
    ),
)
_WORDS: Mapping[str, Unit] = {word: unit for unit, words in _SPELLINGS for word in words.split()}

_FORM_CODES = frozenset({"TAB", "TABS", "ORTAB", "CAP", "CAPS", "ORCAP"})
_SNOMED_FORMS = frozenset({"428673006", "385055001", "421026006", "428641000", "385049006"})
"""Tablet (unit and form) and capsule: SNOMED CT, forms checked, from memory."""


def unit_of_code(system: str | None, code: str) -> Unit | None:
    """The unit behind a coded one, or ``None`` where it is not a dose unit that is known.

    Examples
    --------
    >>> unit_of_code(UCUM, "ug").factor
    Fraction(1, 1)
    >>> unit_of_code(UCUM, "Mg").factor
    Fraction(1000000000000, 1)
    """
    if system == UCUM or system is None:
        known = _CODES.get(code)
        if known or system is None:
            return known or unit_of_word(code)
        return _from_library(code) if _may_be_a_dose(code) else None
    if system in _DRUG_FORMS:
        return _PIECE if code in _FORM_CODES else None
    if system == Snomed.system:
        return _PIECE if code in _SNOMED_FORMS else None
    return None


def unit_of_word(word: str) -> Unit | None:
    """The unit behind a written one.

    >>> unit_of_word(" Tablets ").dimension
    <Dimension.PIECE: 'piece'>
    """
    plain = word.strip().casefold().replace("µ", "u").replace("μ", "u")
    return _WORDS.get(plain.rstrip("."))


def _may_be_a_dose(code: str) -> bool:
    return len(code) <= _LONGEST and code.isascii() and not _NO_DOSE.search(code)


@lru_cache(maxsize=256)  # the library takes 1 ms for one unit, as long as a whole record
def _from_library(code: str) -> Unit | None:
    """A mass or volume that the table does not hold, by the UCUM library.

    The library takes half a second to load, so it is loaded when first needed.
    """
    parsed = _parsed(code)
    for dimension, base in ((Dimension.MASS, "microgram"), (Dimension.VOLUME, "milliliter")):
        factor = _factor(parsed, base)
        if factor is not None:
            return Unit(dimension, factor)
    return None


_registry: Any = None


def _parsed(code: str) -> Any:
    global _registry  # noqa: PLW0603 - one registry, made when the first rare unit arrives
    if _registry is None:
        _registry = import_module("ucumvert").PintUcumRegistry()
    try:
        return _registry.from_ucum(code)
    except Exception:  # the library raises whatever its parser, pint or Python raise
        return None


def _factor(parsed: Any, base: str) -> Fraction | None:
    """How many `base` one of `parsed` is, where that is a power of ten.

    The library computes in binary, so a power of ten is recognised at twelve digits; a dose in
    ounces is asked about anyway.
    """
    try:
        factor = Decimal(f"{float(parsed.to(base).magnitude):.12g}").normalize()
    except Exception:  # not a unit at all (an annotation comes back as a token), or another kind
        return None
    return Fraction(factor) if factor.as_tuple().digits == (1,) else None


class Amount(msgspec.Struct, frozen=True):
    """So much of a dose, in its dimension's base unit (µg, mL, pieces or grains)."""

    dimension: Dimension
    value: Fraction


def checked_number(value: object, expression: str) -> int | Decimal:
    """A decoded JSON number as it came.

    Raises
    ------
    Unreadable
        ``structure`` for anything but a JSON number.
    """
    if type(value) is int or type(value) is Decimal:
        return value
    raise Unreadable(ReadCategory.STRUCTURE, expression, "expected a number")


def exact(value: object, expression: str) -> Fraction:
    """A decoded JSON number as an exact fraction; anything else is refused."""
    return Fraction(checked_number(value, expression))


def scaled(value: Fraction, factor: Fraction) -> Fraction:
    """The product; a factor of one, which most are, costs no arithmetic."""
    return value if factor == 1 else value * factor


def total(values: Sequence[Fraction]) -> Fraction:
    """The sum of one or more amounts; nearly always there is one."""
    return values[0] if len(values) == 1 else sum(values, Fraction(0))


def mean(cycle: Sequence[Fraction]) -> Fraction:
    """The mean over a cycle of days, most of which are one day long."""
    return cycle[0] if len(cycle) == 1 else total(cycle) / len(cycle)


def positive_integer(value: object, expression: str) -> int:
    """A ``positiveInt``; zero, a fraction or a text is refused."""
    if type(value) is int and value > 0:
        return value
    raise Unreadable(ReadCategory.VALUE, expression, "expected a whole number above zero")


def amount_of(quantity: Quantity, expression: str) -> Amount:
    """What a dose quantity says.

    Raises
    ------
    Asked
        where it has no value, no unit, an unknown one, a comparator, or a code and a text
        that differ.
    """
    if quantity.value is None:
        raise Asked(expression, "The dose has no value. How much is taken at a time?")
    value = exact(quantity.value, f"{expression}.value")
    if value.numerator < 0:
        raise Unreadable(ReadCategory.VALUE, f"{expression}.value", "a dose cannot be negative")
    if quantity.comparator:
        raise Asked(
            f"{expression}.comparator",
            "The dose is a bound, not an amount. How much is taken at a time?",
        )
    unit = _unit_of(quantity, expression, value)
    return Amount(unit.dimension, scaled(value, unit.factor))


def _unit_of(quantity: Quantity, expression: str, value: Fraction) -> Unit:
    coded = unit_of_code(quantity.system, quantity.code) if quantity.code else None
    written = unit_of_word(quantity.unit) if quantity.unit else None
    if quantity.code and quantity.unit and coded and written and coded != written:
        raise Asked(
            expression,
            f"The dose is {as_written(value)} in a unit whose code and text differ. Which"
            f" one is meant?",
        )
    if quantity.code:
        if coded is None:
            raise Asked(
                f"{expression}.code",
                f"The dose is {as_written(value)} in a unit that is not known. What is it"
                f" in micrograms, mg or"
                " tablets?",
            )
        return coded
    if written is None:
        where = f"{expression}.unit" if quantity.unit else expression
        what = "in a unit that is not known" if quantity.unit else "without a unit"
        raise Asked(
            where, f"The dose is {as_written(value)} {what}. Is it micrograms, mg or tablets?"
        )
    return written


def concentration(ratio: Ratio, expression: str) -> tuple[Amount, Amount]:
    """Both sides of a strength: so much of the substance in so much of the product."""
    if ratio.numerator is None or ratio.denominator is None:
        raise Asked(expression, "The strength lacks one of its sides. What is it?")
    above = amount_of(ratio.numerator, f"{expression}.numerator")
    below = amount_of(ratio.denominator, f"{expression}.denominator")
    if not below.value:
        raise Unreadable(
            ReadCategory.VALUE, f"{expression}.denominator", "a strength per nothing cannot be read"
        )
    return above, below


def in_unit(value: Fraction, preparation: Preparation) -> str:
    """An amount of a product line, in the unit that it is labelled in."""
    return f"{as_written(value)} {unit_word(preparation.unit, value)}"
