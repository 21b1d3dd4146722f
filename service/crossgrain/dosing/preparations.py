"""Thyroid hormone preparations and what one labelled unit of each contains."""

from collections.abc import Iterable
from dataclasses import field
from enum import StrEnum
from fractions import Fraction

from crossgrain.names.values import frozen

_NOTHING = Fraction(0)


def total(amounts: Iterable[Fraction]) -> Fraction:
    """All amounts together, exactly.

    Most regimens are one line, and a plan asks some hundred times: so it begins with the first
    amount, not by adding that to nothing.

    >>> total([Fraction(1, 2), Fraction(3)]), total([])
    (Fraction(7, 2), Fraction(0, 1))
    """
    left = iter(amounts)
    return sum(left, next(left, _NOTHING))


class Kind(StrEnum):
    """The trade's five kinds of oral thyroid hormone."""

    LEVOTHYROXINE = "levothyroxine"
    LIOTHYRONINE = "liothyronine"
    DESICCATED_THYROID = "desiccated-thyroid"
    FIXED_RATIO = "fixed-ratio"
    COMPOUNDED = "compounded"


@frozen
class Division:
    """How a day's amount is divided into doses, in the preparation's unit.

    Attributes
    ----------
    undivided : the most that is taken at once where tablets allow
    most_rise : by how much a single dose may rise at a step
    doses : how many there are in a day at the most
    """

    undivided: Fraction
    most_rise: Fraction
    doses: int


@frozen
class Handful:
    """How many tablets are taken at once, and of how many strengths.

    Attributes
    ----------
    pieces : the most at one time of day, a half counted as one; more are easily miscounted
    weakest : the most of the weakest tablet, alone or beside one other, where a single dose of LT3
        would otherwise jump: 20 and 45 µg, where only 5 and 25 µg are stocked
    bought : the most strengths of one medicine that a plan may ask for beside those at home
    """

    pieces: int
    weakest: int
    bought: int


@frozen
class Preparation:
    """A product line: its labelled unit, hormone content and tablets.

    Attributes
    ----------
    id : our own name for the line, e.g. ``desiccated-thyroid-60``
    kind : what it is
    name : the generic name, as printed
    unit : the unit of the labelled strength, ``ug`` or ``mg``
    t4_ug_per_unit, t3_ug_per_unit : hormone per labelled unit, µg
    strengths : marketed tablet strengths in `unit`, ascending; empty where none is fixed
    scored : those of them that are marked for breaking in half; no other tablet is halved
    coded : those with a verified product code, preferred where another would do as well
    weekly : by what factor two tablets that share the days of a week may differ; ``None`` where
        every day is like the next
    increment : the grid on which doses climb and taper, in `unit` per day
    apart : the least part of an increment that two steps lie apart; 0 where any other dose is one
    division : how a day's amount is divided into doses; ``None`` where it is taken at once
    mg_per_grain : 60 or 65 for desiccated thyroid, else ``None``
    usual : whether a dose given in grains alone is read in this family, to be confirmed
    t4_to_t3 : of a fixed-ratio product, the least and the greatest ratio of the two masses on its
        label
    base_share : of the salt that a tablet's label counts, the part that is base
    source : where the content and the strengths come from
    handful : how many of its tablets are taken at once
    """

    id: str
    kind: Kind
    name: str
    unit: str
    t4_ug_per_unit: Fraction
    t3_ug_per_unit: Fraction
    strengths: tuple[Fraction, ...]
    scored: frozenset[Fraction]
    increment: Fraction
    mg_per_grain: Fraction | None
    source: str
    handful: Handful = field(repr=False)
    coded: frozenset[Fraction] = frozenset()
    weekly: Fraction | None = None
    apart: Fraction = Fraction(0)
    division: Division | None = None
    usual: bool = field(default=False, repr=False)
    t4_to_t3: tuple[Fraction, Fraction] | None = field(default=None, repr=False)
    base_share: Fraction | None = field(default=None, repr=False)

    @property
    def generic_name(self) -> str:
        """The generic name alone: a second number beside a strength could be mistaken for it."""
        return self.name.partition(",")[0]

    def __hash__(self) -> int:
        """By id, so that a table kept per preparation costs no hashing of every strength."""
        return hash(self.id)

    def t4_ug(self, amount: Fraction) -> Fraction:
        """T4 in `amount` labelled units, µg."""
        return amount * self.t4_ug_per_unit if self.t4_ug_per_unit else _NOTHING

    def t3_ug(self, amount: Fraction) -> Fraction:
        """T3 in `amount` labelled units, µg."""
        return amount * self.t3_ug_per_unit if self.t3_ug_per_unit else _NOTHING

    def grains(self, amount: Fraction) -> Fraction:
        """Labelled grains in `amount`; 0 for anything but desiccated thyroid."""
        return amount / self.mg_per_grain if self.mg_per_grain else _NOTHING

    @property
    def carries_t3(self) -> bool:
        """Whether swallowing it is swallowing T3."""
        return bool(self.t3_ug_per_unit)
