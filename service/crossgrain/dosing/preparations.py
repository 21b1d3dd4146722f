"""Thyroid hormone preparations and what one labelled unit of each contains."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from crossgrain.names.errors import Category, DomainError


class Kind(StrEnum):
    """The trade's five kinds of oral thyroid hormone."""

    LEVOTHYROXINE = "levothyroxine"
    LIOTHYRONINE = "liothyronine"
    DESICCATED_THYROID = "desiccated-thyroid"
    FIXED_RATIO = "fixed-ratio"
    COMPOUNDED = "compounded"


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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
    source : where the content and the strengths come from
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
    coded: frozenset[Fraction] = frozenset()
    weekly: Fraction | None = None
    apart: Fraction = Fraction(0)
    division: Division | None = None

    def __hash__(self) -> int:
        """By id, so that a table kept per preparation costs no hashing of every strength."""
        return hash(self.id)

    def t4_ug(self, amount: Fraction) -> Fraction:
        """T4 in `amount` labelled units, µg."""
        return amount * self.t4_ug_per_unit

    def t3_ug(self, amount: Fraction) -> Fraction:
        """T3 in `amount` labelled units, µg."""
        return amount * self.t3_ug_per_unit

    def grains(self, amount: Fraction) -> Fraction:
        """Labelled grains in `amount`; 0 for anything but desiccated thyroid."""
        return amount / self.mg_per_grain if self.mg_per_grain else Fraction(0)

    @property
    def carries_t3(self) -> bool:
        """Whether swallowing it is swallowing T3."""
        return self.t3_ug_per_unit > 0


def preparations_from(entries: list[Mapping[str, object]]) -> dict[str, Preparation]:
    """Read and check the preparations table.

    Parameters
    ----------
    entries : one mapping per preparation; numbers are written as strings such as
        ``"16.25"`` or ``"38/60"`` so that they stay exact

    Raises
    ------
    DomainError
        for a missing key, a negative content, strengths that do not ascend, a scored tablet
        that is not one of them, or an id given twice.
    """
    table: dict[str, Preparation] = {}
    for number, entry in enumerate(entries, start=1):
        preparation = _preparation_from(entry, f"preparation[{number}]")
        if preparation.id in table:
            raise DomainError(Category.INVALID, preparation.id, "this id stands twice")
        table[preparation.id] = preparation
    return table


def _preparation_from(entry: Mapping[str, object], place: str) -> Preparation:
    try:
        grain = entry.get("mg_per_grain")
        strengths = _numbers(entry["strengths"], f"{place}.strengths")
        preparation = Preparation(
            id=str(entry["id"]),
            kind=Kind(str(entry["kind"])),
            name=str(entry["name"]),
            unit=str(entry["unit"]),
            t4_ug_per_unit=Fraction(str(entry["t4_ug_per_unit"])),
            t3_ug_per_unit=Fraction(str(entry["t3_ug_per_unit"])),
            strengths=strengths,
            scored=frozenset(_numbers(entry["scored"], f"{place}.scored")),
            increment=Fraction(str(entry["increment"])),
            mg_per_grain=None if grain is None else Fraction(str(grain)),
            source=str(entry["source"]),
        )
    except KeyError as missing:
        raise DomainError(Category.INVALID, place, f"{missing.args[0]} is missing") from None
    except ValueError as wrong:
        raise DomainError(Category.INVALID, place, str(wrong)) from None
    _check(preparation)
    return preparation


def _numbers(written: object, place: str) -> tuple[Fraction, ...]:
    if not isinstance(written, list):
        raise DomainError(Category.INVALID, place, "this must be a list")
    return tuple(Fraction(str(number)) for number in written)


def _check(preparation: Preparation) -> None:
    faults = {
        "unit": preparation.unit not in {"ug", "mg"},
        "t4_ug_per_unit": preparation.t4_ug_per_unit < 0,
        "t3_ug_per_unit": preparation.t3_ug_per_unit < 0,
        "strengths": list(preparation.strengths) != sorted(set(preparation.strengths))
        or any(strength <= 0 for strength in preparation.strengths),
        "scored": not preparation.scored <= set(preparation.strengths),
        "increment": preparation.increment <= 0,
        "mg_per_grain": (preparation.kind is Kind.DESICCATED_THYROID)
        != (preparation.mg_per_grain is not None),
    }
    for field, wrong in faults.items():
        if wrong:
            raise DomainError(
                Category.INVALID, f"{preparation.id}.{field}", f"{field} is not usable"
            )
