"""A day's dose in tablets, taken at once or in two equal halves."""

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.tablets import Piece, Tablets, exact_tablets, half_dose

ONCE_A_DAY = "given once a day: half of this dose cannot be ordered"


@dataclass(frozen=True, slots=True)
class DayDose:
    """The pieces of one day, in how many equal doses, and what must be said of it."""

    tablets: Tablets
    doses_per_day: int = 1
    note: str = ""


@lru_cache(maxsize=4096)
def day_dose(preparation: Preparation, amount: Fraction) -> DayDose | None:
    """The tablets that make exactly a day's `amount`; ``None`` where none do.

    LT3 is given in two equal doses where halves can be ordered (ETA guideline 2012, Eur
    Thyroid J 1:55); everything else once a day.
    """
    if preparation.kind is Kind.LIOTHYRONINE:
        half = half_dose(preparation, amount)
        if half:
            pieces = tuple(Piece(piece.strength, 2 * piece.count) for piece in half.pieces)
            return DayDose(Tablets(pieces), 2)
        whole = exact_tablets(preparation, amount)
        return DayDose(whole, 1, ONCE_A_DAY) if whole else None
    whole = exact_tablets(preparation, amount)
    return DayDose(whole) if whole else None
