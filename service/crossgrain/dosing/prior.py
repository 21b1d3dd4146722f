"""The old medicine's side: the doses it may taper through, and the taper that is chosen."""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import cache, lru_cache
from itertools import combinations, product
from math import floor, prod
from operator import ge
from typing import NamedTuple

from crossgrain.dosing.climb import Slot, old_may_change
from crossgrain.dosing.kinetics import Intake, Kinetics, Pools, PoolWeights
from crossgrain.dosing.making import Making
from crossgrain.dosing.moves import Move, total_intake
from crossgrain.dosing.preparations import Preparation, total
from crossgrain.dosing.tablets import makings
from crossgrain.dosing.taper import Choice, Leaning, Level, Problem, Segment, shares_of
from crossgrain.dosing.taper_search import choose_taper
from crossgrain.names.values import frozen

_NEARBY = 40
"""Doses closer together than this part of today's dose, a fortieth, are as good as one another."""
_OF_SEVERAL = {1: _NEARBY, 2: 5, 3: 3}
"""The same by how many medicines fall together, so that their combinations stay few."""
_MOST_LEVELS, _MOST_LEVELS_OF_SEVERAL = 32, 64
"""The most doses to choose from: where there would be more, they lie further apart. Several
medicines may fall only at a few steps, so that more of their combinations can be looked through."""
_MOST_STEPS_OF_SEVERAL = 4
"""At how many steps several medicines may fall together, for the same reason."""

Home = Mapping[str, frozenset[Fraction]]
"""The strengths that a patient has, by preparation id."""


@frozen
class OldDoses:
    """The doses that the falling medicines may take together.

    Attributes
    ----------
    falling : the medicines
    choices : amounts per medicine, in that order; the first is today's dose, the last is every
        medicine at its goal
    levels : the same as the taper's search sees them
    under : for each choice the others in which no medicine is above it, the largest first
    bought : for each kit how many strengths it holds beyond those at home
    shares : each level as a part of the first, where one medicine falls: see `taper.shares_of`
    """

    falling: tuple[Move, ...]
    choices: tuple[tuple[Fraction, ...], ...]
    levels: tuple[Level, ...]
    under: tuple[tuple[int, ...], ...]
    bought: tuple[int, ...]
    shares: tuple[float, ...] | None

    def amounts(self, choice: int) -> dict[str, Fraction]:
        """The daily amounts of a choice, by preparation id."""
        return {
            medicine.preparation.id: amount
            for medicine, amount in zip(self.falling, self.choices[choice], strict=True)
        }


def old_doses(falling: Sequence[Move], home: Home, most_bought: int) -> OldDoses:
    """What the falling medicines may take, each from its start down to its goal.

    Of what the tablets at home make, and of what they make together with as many other strengths
    as `most_bought`. No tablet is broken that is stronger than today's whole dose.
    """
    at_home = tuple(home.get(medicine.preparation.id, frozenset()) for medicine in falling)
    return _old_doses(tuple(falling), at_home, most_bought)


@lru_cache(maxsize=1024)  # a tablet table: both prior therapies and every branch ask for the same
def _old_doses(
    falling: tuple[Move, ...], home: tuple[frozenset[Fraction], ...], most_bought: int
) -> OldDoses:
    kits = _kits(falling, home, most_bought)
    every = (1 << len(kits)) - 1
    ranges = _ranges(falling, kits, _OF_SEVERAL.get(len(falling), 2) * (1 if most_bought else 2))
    places = range(len(falling))
    lowest = tuple(len(doses) - 1 for doses in ranges)
    together = []
    for ranks in product(*(range(len(doses)) for doses in ranges)):
        makes = whole = one_broken = every
        for place, rank in zip(places, ranks, strict=True):
            dose = ranges[place][rank]
            makes, whole = makes & dose.kits, whole & dose.whole
            one_broken &= dose.one_broken
        if makes or ranks == lowest:  # where these kits do not make the goals, others must
            together.append((ranks, makes, whole, one_broken))
    choices = [
        tuple(ranges[place][rank].amount for place, rank in zip(places, ranks, strict=True))
        for ranks, *_ in together
    ]
    levels = tuple(
        Level(_intake(falling, amounts), *masks)
        for amounts, (_, *masks) in zip(choices, together, strict=True)
    )
    return OldDoses(
        falling,
        tuple(choices),
        levels,
        _under([ranks for ranks, *_ in together]),
        tuple(
            sum((mask & ~makings(m.preparation).mask(h)).bit_count()
                for mask, m, h in zip(kit, falling, home, strict=True))
            for kit in kits
        ),
        shares_of(levels),
    )  # fmt: skip


def _under(choices: Sequence[tuple[int, ...]]) -> tuple[tuple[int, ...], ...]:
    """For each choice the others with no dose above its own.

    A choice is a rank for each medicine, 0 for the largest dose; choices come in the order of their
    ranks, so that what is under one comes after it.
    """
    count = len(choices)
    if len(choices[0]) == 1:
        return tuple(tuple(range(index + 1, count)) for index in range(count))
    return tuple(
        tuple(other for other in range(index + 1, count) if all(map(ge, choices[other], ranks)))
        for index, ranks in enumerate(choices)
    )


def _intake(falling: Sequence[Move], amounts: Sequence[Fraction]) -> Intake:
    return total_intake(
        (medicine.preparation, amount) for medicine, amount in zip(falling, amounts, strict=True)
    )


def _kits(
    falling: Sequence[Move], home: Sequence[frozenset[Fraction]], most_bought: int
) -> list[tuple[int, ...]]:
    """Strengths at home with up to so many others: a mask per medicine, fewest bought first.

    What has no verified code is not bought for a taper: another strength will do.
    """
    bits = [
        (place, 1 << bit)
        for place, (medicine, at_home) in enumerate(zip(falling, home, strict=True))
        for bit, strength in enumerate(medicine.preparation.strengths)
        if strength not in at_home and medicine.goal != medicine.start
        if strength in (medicine.preparation.coded or medicine.preparation.strengths)
    ]
    own = [makings(m.preparation).mask(h) for m, h in zip(falling, home, strict=True)]
    kits = []
    for bought in range(most_bought + 1):
        for chosen in combinations(bits, bought):
            masks = list(own)
            for place, bit in chosen:
                masks[place] |= bit
            kits.append(tuple(masks))
    return kits


@frozen
class _OldDose:
    """A dose of one medicine, and as bits the kits that make it: at all, with whole tablets alone,
    and with no more than one broken."""

    amount: Fraction
    kits: int
    whole: int
    one_broken: int


class _Between(NamedTuple):
    """The same of a dose in whole steps of the table of tablets, its simplest way first."""

    way: Making
    steps: int
    kits: int
    whole: int
    one_broken: int


def _ranges(
    falling: Sequence[Move], kits: Sequence[tuple[int, ...]], near: int
) -> list[list[_OldDose]]:
    """The doses of each medicine, as close together as leaves few enough combinations."""
    most = _MOST_LEVELS if len(falling) == 1 else _MOST_LEVELS_OF_SEVERAL
    masks = [[kit[place] for kit in kits] for place in range(len(falling))]
    between = [_between(medicine, own) for medicine, own in zip(falling, masks, strict=True)]
    while True:
        ranges = [
            _amounts(medicine, own, doses, near)
            for medicine, own, doses in zip(falling, masks, between, strict=True)
        ]
        if not near or prod(len(doses) for doses in ranges) <= most:
            return ranges
        near = near * 3 // 4


def _amounts(
    medicine: Move, masks: Sequence[int], between: Sequence[_Between], near: int
) -> list[_OldDose]:
    """Today's dose, those that may come between, and the goal.

    Of doses that are near each other the simplest stay, and those that other kits make. `near` is
    into how many parts today's dose is divided: doses within one part are near. With none there is
    nothing between.
    """
    every = (1 << len(masks)) - 1
    start = _OldDose(medicine.start, every, every, every)
    if medicine.goal == medicine.start:
        return [start]
    goal = _OldDose(medicine.goal, every, every, every)
    if medicine.goal:
        goal = _OldDose(medicine.goal, *_made(medicine, medicine.goal, masks))
    table = makings(medicine.preparation)
    whole_dose = medicine.start * table.scale
    groups: dict[int, list[_Between]] = {}
    for dose in between if near else ():
        # In whole steps of the table, which are quick: hundreds of doses lie below an LT4 start.
        group = dose.steps * near * whole_dose.denominator // whole_dose.numerator
        groups.setdefault(group, []).append(dose)
    chosen: list[_Between] = []
    for alike in groups.values():
        makes = whole = 0
        for dose in sorted(alike):
            if dose.kits & ~makes or dose.whole & ~whole:
                chosen.append(dose)
                makes, whole = makes | dose.kits, whole | dose.whole
    chosen.sort(key=lambda dose: -dose.steps)
    doses = (
        _OldDose(Fraction(dose.steps, table.scale), dose.kits, dose.whole, dose.one_broken)
        for dose in chosen
    )
    return [start, *doses, goal]


def _between(medicine: Move, masks: Sequence[int]) -> list[_Between]:
    """Every dose that tablets make between start and goal."""
    table = makings(medicine.preparation)
    start, goal = medicine.start * table.scale, medicine.goal * table.scale
    limit = floor(start)
    with_mask = _kits_with(masks)
    return [
        _Between(ways[0], steps, *_making_kits(ways, limit, with_mask))
        for steps in table.steps[bisect_right(table.steps, goal) : bisect_left(table.steps, start)]
        if (ways := table.by_steps[steps])
    ]


def _made(medicine: Move, amount: Fraction, masks: Sequence[int]) -> tuple[int, int, int]:
    table = makings(medicine.preparation)
    return _making_kits(table.ways(amount), floor(medicine.start * table.scale), _kits_with(masks))


def _kits_with(masks: Sequence[int]) -> Callable[[int], int]:
    """The kits that hold certain strengths."""

    @cache
    def with_mask(needs: int) -> int:
        return sum(1 << kit for kit, mask in enumerate(masks) if not needs & ~mask)

    return with_mask


def _making_kits(
    ways: Iterable[Making], largest_half: int, with_mask: Callable[[int], int]
) -> tuple[int, int, int]:
    """The kits that make a dose, those that do so with whole tablets, and with no more than one
    broken.

    Each kit takes the first of the ways, which come best first, that it has the strengths for.
    """
    makes = whole = one_broken = 0
    for way in ways:
        if way.largest_half <= largest_half and (more := with_mask(way.mask) & ~makes):
            makes |= more
            whole |= 0 if way.halves or way.weekly else more
            one_broken |= 0 if way.halves > 1 else more
    return makes, whole, one_broken


def taper_problem(
    kinetics: Kinetics,
    start: Pools,
    slots: Sequence[Slot],
    preparations: Mapping[str, Preparation],
    old: OldDoses,
    weights: Sequence[PoolWeights],
    leaning: Leaning,
    last: frozenset[int] | None = None,
) -> Problem:
    """The search for the old medicine's doses over a schedule of the new.

    `last` limits the choices for the last slot; by default all are open.
    """
    may = [slot.old_may_change for slot in slots]
    if len(old.falling) > 1:
        few = (old_may_change(n, len(slots), _MOST_STEPS_OF_SEVERAL) for n in range(len(slots)))
        may = [free and chosen for free, chosen in zip(may, few, strict=True)]
    return Problem(
        kinetics=kinetics,
        start=start,
        segments=tuple(
            _segment(slot, preparations, free) for slot, free in zip(slots, may, strict=True)
        ),
        levels=old.levels,
        under=old.under,
        last=frozenset(range(len(old.levels))) if last is None else last,
        bought=old.bought,
        weights=tuple(weights),
        leaning=leaning,
        shares=old.shares,
    )


def _segment(slot: Slot, preparations: Mapping[str, Preparation], free: bool) -> Segment:
    new = [(preparations[key], amount) for key, amount in slot.amounts.items()]
    new_t3 = total(preparation.t3_ug(amount) for preparation, amount in new)
    room = float(slot.t3_ceiling_ug - new_t3)
    return Segment(slot.days, total_intake(new), room, free)


def none_ends_early(problem: Problem, old: OldDoses) -> Problem:
    """The same search, in which no medicine has ended before the last slot."""
    ended = frozenset(n for n, amounts in enumerate(old.choices) if not all(amounts))
    *early, last = problem.segments
    return replace(problem, segments=(*(replace(each, closed=ended) for each in early), last))


def tapered(problem: Problem, old: OldDoses) -> tuple[list[dict[str, Fraction]], Choice] | None:
    """The old medicine's amounts in each slot, and why; ``None`` where these tablets allow none."""
    choice = choose_taper(problem)
    if choice is None:
        return None
    return [old.amounts(level) for level in choice.chosen.path], choice


def stopped(slots: Sequence[Slot], falling: Sequence[Move]) -> list[dict[str, Fraction]]:
    """The old medicine's amounts in each slot where it ends, or takes its new dose, on day 0."""
    return [{medicine.preparation.id: medicine.goal for medicine in falling} for _ in slots]
