"""Published tables that an answer is held against. Nothing is computed from them."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any


@dataclass(frozen=True, slots=True)
class HandoutRow:
    """A desiccated dose, mg, and the range of LT4, µg, that a handout gives for it."""

    mg: Fraction
    lt4_ug: Fraction
    low_ug: Fraction
    high_ug: Fraction


@dataclass(frozen=True, slots=True)
class CrossChecks:
    """The tables, each with its source."""

    handout: tuple[HandoutRow, ...]
    handout_source: str
    lt4_ug_per_kg: Fraction
    weight_source: str

    def lt4_range(self, mg: Fraction) -> tuple[Fraction, Fraction] | None:
        """The handout's range of LT4 for a desiccated dose, µg.

        Between two rows, from the lower row's low to the upper row's high; ``None`` outside.
        """
        below = [row for row in self.handout if row.mg <= mg]
        above = [row for row in self.handout if row.mg >= mg]
        if not below or not above:
            return None
        return below[-1].low_ug, above[0].high_ug


def cross_checks_from(table: Mapping[str, Any]) -> CrossChecks:
    """Read the shipped table; a missing key is a fault of the package and raises KeyError."""
    (handout,) = table["desiccated_to_lt4"]
    return CrossChecks(
        tuple(
            HandoutRow(*(Fraction(row[key]) for key in ("mg", "lt4_ug", "low_ug", "high_ug")))
            for row in handout["rows"]
        ),
        handout["source"],
        Fraction(table["weight"]["lt4_ug_per_kg"]),
        table["weight"]["source"],
    )
