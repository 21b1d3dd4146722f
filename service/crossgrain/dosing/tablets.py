"""Tablet combinations: the pieces that make a dose, from strengths that exist."""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from crossgrain.dosing.errors import Category, DomainError
from crossgrain.dosing.preparations import Preparation

MOST_PIECES = 4
MOST_STRENGTHS = 2


@dataclass(frozen=True, slots=True)
class Piece:
    """So many tablets of one strength; `count` may be a half or a quarter."""

    strength: Fraction
    count: Fraction


@dataclass(frozen=True, slots=True)
class Tablets:
    """A dose as tablets, strongest first.

    >>> Tablets((Piece(Fraction(60), Fraction(1)), Piece(Fraction(15), Fraction(1, 2)))).amount
    Fraction(135, 2)
    """

    pieces: tuple[Piece, ...]

    @property
    def amount(self) -> Fraction:
        """The dose in the preparation's unit."""
        return sum((piece.strength * piece.count for piece in self.pieces), Fraction(0))


@dataclass(frozen=True, slots=True)
class TabletSearch:
    """What the search found for one target.

    `within` is the nearest dose inside the tolerance, or ``None``; `below` and `above` are
    the nearest doses on either side, for the reader who must choose.
    """

    target: Fraction
    within: Tablets | None
    below: Tablets | None
    above: Tablets | None
