"""Tablet combinations: the pieces that make a dose, from strengths that exist.

A piece is one tablet or one part of a tablet: one and a half tablets are two pieces, three
quarters are a half and a quarter. Every combination of at most `MOST_PIECES` pieces of at
most `MOST_STRENGTHS` strengths is laid out once per preparation; a dose is then looked up.
Since a preparation has one strength family, the 60 mg and the 65 mg grain never mix.
"""

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import combinations, product
from math import ceil, lcm
from typing import NamedTuple

from crossgrain.dosing.errors import Category, DomainError
from crossgrain.dosing.preparations import Preparation

MOST_PIECES = 4
MOST_STRENGTHS = 2

_PARTS = {Fraction(0): 0, Fraction(1, 4): 1, Fraction(1, 2): 1, Fraction(3, 4): 2}
"""Pieces in what is left of a count beyond whole tablets."""

_Rank = tuple[int, int, int, Fraction, tuple[tuple[Fraction, Fraction], ...]]


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


def exact_tablets(preparation: Preparation, amount: Fraction) -> Tablets | None:
    """The pieces that make exactly `amount`, or ``None`` where no combination does.

    Fewest pieces come first, then one strength before two, then whole tablets before split
    ones, then the split of a weaker tablet, then the stronger strength.
    """
    return _orderable(preparation).tablets.get(amount)


def half_dose(preparation: Preparation, amount: Fraction) -> Tablets | None:
    """The pieces of each of two equal doses a day, or ``None`` where half cannot be ordered."""
    return exact_tablets(preparation, amount / 2)


def search_tablets(preparation: Preparation, target: Fraction, tolerance: Fraction) -> TabletSearch:
    """The orderable dose nearest to `target`, no further from it than the tolerance.

    Parameters
    ----------
    target : the daily dose wanted, in the preparation's unit
    tolerance : a fraction of the target, e.g. 1/20

    Raises
    ------
    DomainError
        ``invalid`` for a target that is not above zero.
    """
    if target <= 0:
        raise DomainError(Category.INVALID, "target", "a dose to be ordered is above zero")
    orderable = _orderable(preparation)
    above, below = orderable.around(target)
    near = [
        (abs(amount - target), orderable.ranks[amount], amount)
        for amount in (below, above)
        if amount is not None and abs(amount - target) <= tolerance * target
    ]
    nearest = min(near)[2] if near else None
    pieces = orderable.tablets.get
    return TabletSearch(target, pieces(nearest), pieces(below), pieces(above))


@dataclass(frozen=True, slots=True)
class _Orderable:
    """Every dose that a preparation's tablets make, and the pieces of each.

    `amounts` ascend; `steps` are the same in whole multiples of 1/`scale`, for a quick search.
    """

    scale: int
    steps: tuple[int, ...]
    amounts: tuple[Fraction, ...]
    tablets: dict[Fraction | None, Tablets]
    ranks: dict[Fraction, _Rank]

    def around(self, target: Fraction) -> tuple[Fraction | None, Fraction | None]:
        """The nearest amounts at or above and at or below `target`."""
        at = bisect_left(self.steps, ceil(target * self.scale))
        above = self.amounts[at] if at < len(self.amounts) else None
        if above == target:
            return above, above
        return above, self.amounts[at - 1] if at else None


@lru_cache(maxsize=64)
def _orderable(preparation: Preparation) -> _Orderable:
    best: dict[Fraction, tuple[_Rank, tuple[_Counted, ...]]] = {}
    for chosen in _combinations(preparation):
        amount = sum((counted.amount for counted in chosen[1:]), chosen[0].amount)
        rank = _rank(chosen)
        if amount not in best or rank < best[amount][0]:
            best[amount] = rank, chosen
    amounts = tuple(sorted(best))
    scale = lcm(*(amount.denominator for amount in amounts))
    return _Orderable(
        scale=scale,
        steps=tuple(int(amount * scale) for amount in amounts),
        amounts=amounts,
        tablets={a: Tablets(tuple(counted.piece for counted in best[a][1])) for a in amounts},
        ranks={amount: best[amount][0] for amount in amounts},
    )


class _Counted(NamedTuple):
    """So many of one strength, with what the search compares worked out once."""

    piece: Piece
    amount: Fraction
    pieces: int
    parts: int
    strongest_first: tuple[Fraction, Fraction]


def _combinations(preparation: Preparation) -> Iterator[tuple[_Counted, ...]]:
    """Every combination within the limits, its strongest strength first."""
    by_strength = [_counts(preparation, strength) for strength in reversed(preparation.strengths)]
    for many in range(1, MOST_STRENGTHS + 1):
        for strengths in combinations(by_strength, many):
            for chosen in product(*strengths):
                if sum(counted.pieces for counted in chosen) <= MOST_PIECES:
                    yield chosen


def _counts(preparation: Preparation, strength: Fraction) -> list[_Counted]:
    """Every count of one strength, in the smallest piece that may be broken off."""
    most = int(MOST_PIECES / preparation.smallest_piece)
    counted = []
    for number in range(1, most + 1):
        count = number * preparation.smallest_piece
        parts = _PARTS[count % 1]
        counted.append(
            _Counted(
                piece=Piece(strength, count),
                amount=strength * count,
                pieces=int(count) + parts,
                parts=parts,
                strongest_first=(-strength, -count),
            )
        )
    return counted


def _rank(chosen: tuple[_Counted, ...]) -> _Rank:
    """Lower is preferred: pieces, strengths, split tablets, then the stronger strength.

    Among splits the weaker tablet is split: what a knife gets wrong is then smaller.
    """
    return (
        sum(counted.pieces for counted in chosen),
        len(chosen),
        sum(counted.parts for counted in chosen),
        sum((counted.piece.strength for counted in chosen if counted.parts), Fraction(0)),
        tuple(counted.strongest_first for counted in chosen),
    )
