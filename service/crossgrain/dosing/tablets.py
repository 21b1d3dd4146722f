"""Tablets: how a day's dose is made of pieces, from strengths that exist.

A piece is a whole tablet or half of a scored one. At a time of day at most `Handful.pieces` are
taken. Every day's dose that a preparation's tablets can make is laid out once, with each way of
making it; a plan then looks up the way that needs only the strengths chosen for it. Since a
preparation has one strength family, the 60 mg and the 65 mg grain never mix.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from fractions import Fraction
from functools import lru_cache
from itertools import combinations_with_replacement
from math import floor, lcm

from crossgrain.dosing.making import Making, Ways, divided
from crossgrain.dosing.preparations import Preparation, total
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen

DAYS_OF_WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SHARED_WEEK = ((0, 2, 4, 6), (1, 3, 5))
"""The days of the week on which each of two tablets is taken: as even as seven days can be."""
ONCE_A_DAY = "given once a day: it cannot be divided in two doses"
_WHOLE, _HALF = Fraction(1), Fraction(1, 2)


@frozen
class Piece:
    """So many tablets of one strength; `count` may end in a half."""

    strength: Fraction
    count: Fraction


@frozen
class Tablets:
    """A dose as tablets, strongest first.

    >>> Tablets((Piece(Fraction(60), Fraction(1)), Piece(Fraction(15), Fraction(1, 2)))).amount
    Fraction(135, 2)
    """

    pieces: tuple[Piece, ...]

    @property
    def amount(self) -> Fraction:
        """The dose in the preparation's unit."""
        return total(piece.strength * piece.count for piece in self.pieces)

    @property
    def strengths(self) -> frozenset[Fraction]:
        """The strengths that it is made of."""
        return frozenset(piece.strength for piece in self.pieces)

    @property
    def has_half(self) -> bool:
        """Whether a tablet must be broken for it."""
        return any(piece.count.denominator != 1 for piece in self.pieces)


@frozen
class DayDose:
    """The tablets of one day: what is taken at each time, and what must be said of it.

    Where two tablets share the week, `week` has what is taken on each part of it, and the day's
    tablets are those of a mean day.
    """

    times: tuple[Tablets, ...]
    note: str = ""
    week: tuple[Tablets, ...] = ()
    tablets: Tablets = field(init=False)
    """All of the day's tablets together."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "tablets", _together(self.times))


@frozen
class Makings:
    """Every dose that a preparation's tablets make in a day, in every way.

    `scale` is how many of the table's steps make one unit; `steps` ascend; `by_steps` has the
    ways for each, best first.
    """

    preparation: Preparation
    scale: int
    steps: tuple[int, ...]
    by_steps: Mapping[int, tuple[Making, ...]]

    def ways(self, amount: Fraction) -> tuple[Making, ...]:
        """The ways to make a day's dose, whole tablets first; none where it cannot be made."""
        steps, rest = divmod(amount.numerator * self.scale, amount.denominator)
        return () if rest else self.by_steps.get(steps, ())

    def mask(self, strengths: Iterable[Fraction]) -> int:
        """Strengths as bits; those that are not on the list are left out."""
        places = {strength: place for place, strength in enumerate(self.preparation.strengths)}
        return sum(1 << places[strength] for strength in set(strengths) if strength in places)

    def strengths(self, mask: int) -> tuple[Fraction, ...]:
        """The inverse of `mask`, ascending."""
        return tuple(
            strength
            for place, strength in enumerate(self.preparation.strengths)
            if mask >> place & 1
        )

    def way(self, amount: Fraction, mask: int, largest_half: Fraction) -> Making | None:
        """The best way from these strengths alone, breaking nothing stronger than asked."""
        limit = floor(largest_half * self.scale)
        return next(
            (
                making
                for making in self.ways(amount)
                if not making.mask & ~mask and making.largest_half <= limit
            ),
            None,
        )


@lru_cache(maxsize=4096)  # a tablet table: the steps and all branches of a plan share a few doses
def day_dose(preparation: Preparation, making: Making) -> DayDose:
    """A way to make a day's dose as tablets."""
    scale = makings(preparation).scale
    times = tuple(_tablets(pieces, scale) for pieces in making.times)
    if making.weekly:
        return DayDose((_mean_day(times),), week=times)
    division = preparation.division
    undivided = division and len(times) == 1 and times[0].amount > division.undivided
    return DayDose(times, ONCE_A_DAY if undivided else "")


def _mean_day(week: tuple[Tablets, ...]) -> Tablets:
    shares = [
        (piece, Fraction(len(days), 7))
        for taken, days in zip(week, SHARED_WEEK, strict=True)
        for piece in taken.pieces
    ]
    counted = (Piece(piece.strength, piece.count * share) for piece, share in shares)
    return Tablets(tuple(sorted(counted, key=lambda piece: -piece.strength)))


def _tablets(pieces: tuple[int, ...], scale: int) -> Tablets:
    counts: dict[Fraction, Fraction] = defaultdict(Fraction)
    for piece in pieces:  # a half is written as minus the strength that is broken
        counts[Fraction(abs(piece), scale)] += _WHOLE if piece > 0 else _HALF
    return Tablets(tuple(Piece(s, counts[s]) for s in sorted(counts, reverse=True)))


@lru_cache(maxsize=64)  # a tablet table: to make it anew each time takes ten times a whole plan
def makings(preparation: Preparation) -> Makings:
    """All ways to make a day's dose of a preparation."""
    scale = 2 * lcm(1, *(strength.denominator for strength in preparation.strengths))
    scale *= 7 if preparation.weekly else 1
    single = _single_doses(preparation, scale)
    by_steps = divided(single, preparation.division, scale) if preparation.division else single
    if preparation.weekly:
        _share_weeks(by_steps, preparation, preparation.weekly, scale)
    ordered = {steps: tuple(sorted(set(ways))) for steps, ways in by_steps.items()}
    return Makings(preparation, scale, tuple(sorted(ordered)), ordered)


def _single_doses(preparation: Preparation, scale: int) -> Ways:
    """Doses of one time of day."""
    kinds = [(int(strength * scale), place) for place, strength in enumerate(preparation.strengths)]
    broken = {int(strength * scale) for strength in preparation.scored}
    coded = [strength in preparation.coded for strength in preparation.strengths]
    pieces = [(s, place) for s, place in kinds] + [(-s, place) for s, place in kinds if s in broken]
    doses: Ways = defaultdict(list)
    for chosen in _handfuls(preparation, pieces):
        halves = [-piece for piece, _ in chosen if piece < 0]
        places = {place for _, place in chosen}
        steps = sum(piece if piece > 0 else -piece // 2 for piece, _ in chosen)
        doses[steps].append(
            Making(
                jumps=0,
                crowded=max(len(chosen) - preparation.handful.pieces, 0),
                halves=len(halves),
                weekly=0,
                unlike=0,
                pieces=len(chosen),
                uncoded=sum(not coded[place] for place in places),
                order=(len(places), max(halves, default=0), *sorted(-p for p in places)),
                mask=sum(1 << place for place in places),
                largest_half=max(halves, default=0),
                times=(tuple(piece for piece, _ in chosen),),
            )
        )
    return doses


def _handfuls(
    preparation: Preparation, pieces: list[tuple[int, int]]
) -> Iterator[tuple[tuple[int, int], ...]]:
    """What may be taken at one time; two halves of one strength count as a whole tablet."""
    most = preparation.handful.pieces
    for many in range(1, most + 1):
        for chosen in combinations_with_replacement(pieces, many):
            halves = [piece for piece, _ in chosen if piece < 0]
            if len(halves) == len(set(halves)):
                yield chosen
    if preparation.division and pieces:
        weakest = pieces[0]
        yield (weakest,) * (most + 1)
        for beside in pieces[1:]:
            for many in range(most, preparation.handful.weakest + 1):
                yield (*[weakest] * many, beside)


def _share_weeks(doses: Ways, preparation: Preparation, most_apart: Fraction, scale: int) -> None:
    """Add the doses of weeks that two tablets share, with one whole tablet on each day."""
    coded = [strength in preparation.coded for strength in preparation.strengths]
    longer, shorter = (len(days) for days in SHARED_WEEK)
    kinds = list(enumerate(preparation.strengths))
    for place, strength in kinds:
        for other, beside in kinds:
            if strength == beside or max(strength, beside) > most_apart * min(strength, beside):
                continue
            mean = (longer * strength + shorter * beside) / 7
            mask = 1 << place | 1 << other
            doses.setdefault(int(mean * scale), []).append(
                Making(
                    jumps=0,
                    crowded=0,
                    halves=0,
                    weekly=1,
                    unlike=int(abs(strength - beside) * scale),
                    pieces=1,
                    uncoded=2 - coded[place] - coded[other],
                    order=(2, 0, *sorted((-place, -other))),
                    mask=mask,
                    largest_half=0,
                    times=((int(strength * scale),), (int(beside * scale),)),
                )
            )


def _together(times: tuple[Tablets, ...]) -> Tablets:
    if len(times) == 1:
        return times[0]
    counts: dict[Fraction, Fraction] = defaultdict(Fraction)
    for tablets in times:
        for piece in tablets.pieces:
            counts[piece.strength] += piece.count
    return Tablets(tuple(Piece(s, counts[s]) for s in sorted(counts, reverse=True)))


def can_be_ordered(preparation: Preparation, amount: Fraction) -> bool:
    """Whether tablets on the list make exactly this day's dose."""
    return bool(makings(preparation).ways(amount))


def best_day_dose(preparation: Preparation, amount: Fraction) -> DayDose | None:
    """A day's dose from any tablets on the list, or ``None`` where none make it."""
    table = makings(preparation)
    ways = table.ways(amount)
    return day_dose(preparation, ways[0]) if ways else None


@frozen
class Nearest:
    """The orderable doses around a target.

    The nearest within the tolerance, or ``None``; and the nearest on either side, for the reader
    who must choose.
    """

    target: Fraction
    within: Fraction | None
    below: Fraction | None
    above: Fraction | None


def nearest_doses(preparation: Preparation, target: Fraction, tolerance: Fraction) -> Nearest:
    """The orderable doses nearest to `target`, in the preparation's unit.

    `tolerance` is a fraction of the target, e.g. 1/20.

    Raises
    ------
    DomainError
        ``invalid`` for a target that is not above zero.
    """
    if target <= 0:
        raise DomainError(Category.INVALID, "target", "a dose to be ordered is above zero")
    table = makings(preparation)
    wanted = target * table.scale
    at = bisect_left(table.steps, wanted)
    above = Fraction(table.steps[at], table.scale) if at < len(table.steps) else None
    if above == target:
        return Nearest(target, target, target, target)
    below = Fraction(table.steps[at - 1], table.scale) if at else None
    near = [
        (abs(amount - target), table.ways(amount)[0], amount)
        for amount in (below, above)
        if amount is not None and abs(amount - target) <= tolerance * target
    ]
    return Nearest(target, min(near)[2] if near else None, below, above)
