"""Medicines by name: the words of a name, and the strength that stands in it or beside it.

What is found here was read from text, and says so.
"""

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction

import msgspec
from msgspec.structs import replace

from crossgrain.dosing.bases import GrainContent
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.printing import as_written
from crossgrain.reading.elements import Asked
from crossgrain.reading.hormone_names import folded, kinds_named, looks_like_hormone
from crossgrain.reading.product import Product, is_base_of, line_of_tablet, only_line
from crossgrain.reading.quantities import Amount, Dimension, unit_of_word
from crossgrain.reading.remembered import Remembered
from crossgrain.reading.schedule import plain_words

_MADE_UP = re.compile(
    r"compound(?:ed|ing)?\b|"
    r"(?:sustained|slow|extended|prolonged|timed?|modified|controlled|delayed)[- ]release|"
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
    r"(?P<u>mcg|ug|micrograms?|microgrammes?|microgramm?[oai]s?|mikrogramm?[yu]?|mikrogramow|"
    r"mg|g|gr|grains?)\b"
    r"(?:\s?/\s?(?P<dn>\d+(?:\.\d+)?)?\s?(?P<du>ml|tablet|tab|capsule|cap|1)\b)?"
    # what is followed by how often is a dose, and no strength
    r"(?!\s?(?:/\s?d(?:ay)?\b|per day|a day|daily|once|twice|qd|bid|tid|od\b))"
)

_NUMBER = re.compile(r"\d+(?:\.\d+)?")

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
    iodide_first : and names it before the hormone
    numbers : every number in it, where it names iodide
    not_oral : names a form that is not swallowed
    """

    kinds: frozenset[Kind]
    strengths: tuple[Amount, ...] = ()
    per_ml: tuple[Fraction, ...] = ()
    made_up: bool = False
    iodide: bool = False
    iodide_first: bool = False
    numbers: tuple[Fraction, ...] = ()
    not_oral: bool = False

    @property
    def product_kinds(self) -> frozenset[Kind]:
        """What a product so named may be: T4 and T3 in one name are one product of both."""
        both = {Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE} <= self.kinds
        return frozenset({Kind.FIXED_RATIO}) if both else self.kinds

    def gives_beside_iodide(self, micrograms: Fraction) -> bool:
        """Whether its numbers leave room for so much T4, told apart from the iodide.

        Of ``100/75`` each belongs to the substance whose turn it is; one amount alone must be the
        hormone's, and a number beside the amounts could be anything.
        """
        masses = [amount.value for amount in self.strengths if amount.dimension is Dimension.MASS]
        amounts = masses or self.numbers
        if len(amounts) < len(self.numbers):
            return False
        if len(set(amounts)) <= 1:
            return set(amounts) <= {micrograms}
        return len(amounts) == 2 and amounts[self.iodide_first] == micrograms


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
    iodide = _IODIDE.search(plain)
    return NamedMedicine(
        kinds_named(plain),
        strengths,
        per_ml,
        made_up=bool(_MADE_UP.search(plain)),
        iodide=iodide is not None,
        numbers=tuple(map(Fraction, _NUMBER.findall(plain))) if iodide else (),
        iodide_first=iodide is not None and not kinds_named(plain[: iodide.start()]),
        not_oral=is_not_oral(plain),
    )


def _read(words: str) -> NamedMedicine | None:
    if not looks_like_hormone(folded(words)):
        return None
    if len(words) > _LONGEST_NAME:
        return NamedMedicine(frozenset())
    return read_product_words(words)


_NAMED = Remembered(_read, len)


_PACK = re.compile(
    r"(?<![\w./])(?:x ?)?(?:1[4-9]|[2-9]\d|\d{3,4}) ?(?:x|tablets?|tabs?|tabl|tbl|capsules?|caps?|"
    r"comprim\w+|compress\w+|tablett\w*|stück|stk|st|count|ct|pcs?|pack)\b"
)
"""How many a pack holds."""


def beside_product(words: str) -> str:
    """What stands in a medicine's name beside the hormone, its strength and its pack.

    >>> beside_product("Levothyroxine 100 mcg tablet - take 1/2 tablet every other day")
    'tablet - take 1/2 tablet every other day'
    >>> beside_product("Levothyroxine Sodium 0.1 MG Oral Tablet, 90 count")
    'sodium oral tablet,'
    """
    plain = _PACK.sub(" ", _STRENGTH.sub(" ", plain_words(words[:_LONGEST_NAME])))
    return " ".join(word for word in plain.split() if not looks_like_hormone(folded(word)))


def names_iodide(words: str) -> bool:
    """Whether the words name iodide.

    >>> names_iodide("Kaliumjodid"), names_iodide("levothyroxine")
    (True, False)
    """
    return bool(_IODIDE.search(folded(words)))


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


def with_words(
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
    if product.per_ml and per_ml - {product.per_ml}:
        raise Asked(
            expression,
            f"The code stands for {as_written(product.per_ml)} micrograms in one mL and the words"
            f" beside it for {as_written(per_ml.pop())}. Which one is taken?",
        )
    product = replace(
        product,
        per_ml=product.per_ml or next(iter(per_ml), None),
        named_in_words=not coded,
        strength_in_words=bool(per_ml) and product.per_ml is None,
    )
    said = {_strength_said(product.kind, name, preparations, expression) for name in named} - {None}
    if len(said) > 1:
        raise Asked(expression, "The names give two strengths. Which one is taken?")
    amount = next(iter(said), None)
    if amount is not None:
        return _with_strength(product, amount, preparations, expression)
    if product.preparation is None:
        product = replace(product, preparation=only_line(product.kind, preparations))
    return product


def _strength_said(
    kind: Kind, name: NamedMedicine, preparations: Mapping[str, Preparation], expression: str
) -> Amount | None:
    if not name.strengths:
        return None
    if kind is Kind.FIXED_RATIO:
        return _fixed_ratio_strength(name.strengths, preparations, expression)
    distinct = set(name.strengths)
    if len(distinct) > 1:
        distinct = _without_grain_beside_mg(distinct, preparations)
        distinct = _without_base_beside_salt(distinct, only_line(kind, preparations))
    if len(distinct) > 1:
        raise Asked(expression, "The name gives more than one strength. Which one is taken?")
    return distinct.pop()


def _without_grain_beside_mg(
    said: set[Amount], preparations: Mapping[str, Preparation]
) -> set[Amount]:
    """``60 mg (1 grain)``: the mass stands for both where the label's grain makes them one."""
    grains = [a.value for a in said if a.dimension is Dimension.GRAIN]
    masses = [a for a in said if a.dimension is Dimension.MASS]
    if len(grains) == 1 and len(masses) == 1:
        per_grain = masses[0].value / 1000 / grains[0] if grains[0] else 0
        if per_grain in {line.mg_per_grain for line in preparations.values()}:
            return set(masses)
    return said


def _without_base_beside_salt(said: set[Amount], line: Preparation | None) -> set[Amount]:
    """``levothyroxine sodium 75 micrograms (levothyroxine 72.9)``: the salt's is the strength."""
    if len(said) != 2 or {a.dimension for a in said} != {Dimension.MASS}:
        return said
    base, salt = sorted(a.value for a in said)
    return {Amount(Dimension.MASS, salt)} if is_base_of(base, salt, line) else said


def _fixed_ratio_strength(
    strengths: tuple[Amount, ...], preparations: Mapping[str, Preparation], expression: str
) -> Amount:
    """The T4 part of ``50/12.5``: the larger of two that stand as a line's label has them."""
    masses = _two_masses(strengths)
    for low, high in (line.t4_to_t3 for line in preparations.values() if line.t4_to_t3):
        if masses and low <= masses[1] / masses[0] <= high:
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
                f"The code stands for {as_written(product.strength)}"
                f" {'mg' if in_mg else 'micrograms'} and"
                f" the words beside it for {as_written(strength)}. Which one is taken?",
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
                f"The code stands for {as_written(product.strength)} mg and the words beside it for"
                f" {as_written(grains)} grain. Which one is taken?",
            )
        return product
    return replace(product, strength_grains=grains, strength_in_words=True)


def _two_masses(strengths: tuple[Amount, ...]) -> tuple[Fraction, Fraction] | None:
    masses = sorted({a.value for a in strengths if a.dimension is Dimension.MASS})
    return (masses[0], masses[1]) if len(masses) == 2 and masses[0] else None


def named_by_content(name: NamedMedicine, content: GrainContent) -> NamedMedicine:
    """Desiccated thyroid that is named by its content, ``38/9``, under its own kind.

    Product registers list its tablets so; the ratio is that of a grain, 38 µg T4 to 9 µg T3.
    """
    masses = _two_masses(name.strengths)
    both = {Kind.LEVOTHYROXINE, Kind.LIOTHYRONINE} <= name.kinds
    if not both or masses is None or masses[1] / masses[0] != content.t4_ug / content.t3_ug:
        return name
    grains = Amount(Dimension.GRAIN, masses[1] / content.t4_ug)
    return replace(name, kinds=frozenset({Kind.DESICCATED_THYROID}), strengths=(grains,))
