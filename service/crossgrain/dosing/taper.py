"""The taper of the old medicine: simple enough to follow, and close to the best that there is.

Nobody knows which chart is right for this patient. So a taper is judged by its worst |ln coverage|
over the enabled bases, from day 0 to the end of the hold. Of all tapers that never rise, change at
most a few times, and need no other tablets than are offered, the best is found. Of those that are
nearly as good the simplest is then chosen: the fewest strengths to buy, the fewest changes of dose,
the fewest days with a broken tablet, and only then the smallest worst deviation and the smallest
sum of squares.

What is chosen from, and how it is judged, stands here; `taper_search` looks, and `taper_coverage`
knows what coverage comes to along a taper.
"""

from collections.abc import Sequence
from dataclasses import field
from math import inf, log
from typing import NamedTuple

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools, PoolWeights
from crossgrain.names.values import frozen

EQUAL = 5e-4
"""Worst values closer than this count as equal: in print, coverage differs by less than 0.1 %."""
TIE = 1e-9
"""Sums of squares closer than this count as equal, and what is left of rounding."""


@frozen
class Segment:
    """A period in which the new medicine is constant and the old one is chosen once.

    `t3_room_ug` is the most T3 that the old medicine may carry in it, µg per day. Where
    `may_change` is false, the dose of the segment before goes on. `closed` are the levels that may
    not be taken in it, whatever T3 they carry.
    """

    days: float
    new: Intake
    t3_room_ug: float = inf
    may_change: bool = True
    closed: frozenset[int] = frozenset()


@frozen
class Level:
    """A dose of the old medicine (or of two together).

    Attributes
    ----------
    intake : its hormone
    kits : which of the problem's kits make it, as bits
    whole : which of them make it without breaking a tablet
    one_broken : which of them make it with no more than one broken tablet of a medicine
    """

    intake: Intake
    kits: int
    whole: int
    one_broken: int = -1


@frozen
class Leaning:
    """How deviations are weighed, and how much may be given up for a simpler taper.

    Attributes
    ----------
    above, below : weight of |ln coverage| above and below 1
    tolerance : how much worse than the best a taper may be, in ln coverage on either side
    saving : the same where it saves a strength
    guard : coverage below which no taper goes while another stays above it
    most_changes : the most changes of dose, one on day 0 included
    """

    above: float = 1.0
    below: float = 1.0
    tolerance: float = 0.0
    saving: float = 0.0
    guard: float = 0.0
    most_changes: int = field(kw_only=True)

    def worst(self, lowest: float, highest: float) -> float:
        """The weighed worst deviation of a taper, from its lowest and highest coverage."""
        if lowest <= 0:
            return inf
        return max(-self.below * log(lowest), self.above * log(highest), 0.0)


@frozen
class Problem:
    """What the taper is chosen for.

    Attributes
    ----------
    start : the pools on day 0 of the problem
    segments : in order; the last one is the hold
    levels : the doses to choose from; the first is what is taken now
    under : for each level the others in which no medicine is above it, the largest first
    last : the levels open in the last segment
    bought : for each kit how many strengths it holds beyond those at home, ascending
    weights : one per basis, each divided by the LT4-equivalent of the regimen compared with, so
        that
        a weighed sum of pools is coverage on that basis
    leaning : weights, tolerances and limits
    shares : see `shares_of`
    need : what the patient needs, as a part of the old regimen at whose pools the problem begins
    """

    kinetics: Kinetics
    start: Pools
    segments: tuple[Segment, ...]
    levels: tuple[Level, ...]
    under: tuple[tuple[int, ...], ...]
    last: frozenset[int]
    bought: tuple[int, ...]
    weights: tuple[PoolWeights, ...]
    leaning: Leaning
    shares: tuple[float, ...] | None = None
    need: float = 1.0


def shares_of(levels: Sequence[Level]) -> tuple[float, ...] | None:
    """Each level as a part of the first; ``None`` where several medicines fall.

    Two medicines of one composition would have such parts too, but not from largest to smallest.
    """
    first, *others = (level.intake for level in levels)
    by = max(first)
    if not by:
        return None
    place = first.index(by)
    shares = [1.0]
    for other in others:
        share = other[place] / by
        if share > shares[-1] or any(
            abs(share * a - b) > TIE for a, b in zip(first, other, strict=True)
        ):
            return None
        shares.append(share)
    return tuple(shares)


class Taper(NamedTuple):
    """One taper: the level of each segment, and what it costs.

    `kits` are those that make every level; `bought` is how many strengths the cheapest of them asks
    for. `lowest` and `highest` are coverage, over all bases.
    """

    path: tuple[int, ...]
    lowest: float
    highest: float
    kits: int
    bought: int
    changes: int
    is_whole: bool


class Choice(NamedTuple):
    """The taper that is proposed, and the best that was found."""

    chosen: Taper
    best: Taper
