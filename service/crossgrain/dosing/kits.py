"""Which strengths of a medicine a plan draws on: as few as will make all of its doses.

Arithmetic alone would give a strength to every dose; a prescriber chooses two or three tablets from
which the whole series is made, and first uses what the patient has at home.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from functools import lru_cache
from itertools import combinations

from crossgrain.dosing.making import Making
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.tablets import DayDose, day_dose, makings
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import quantity
from crossgrain.names.values import frozen


@frozen
class Kit:
    """The tablets of one medicine that a plan draws on.

    Attributes
    ----------
    preparation : the medicine
    mask : the strengths, as bits in the order of its list
    largest_half : the strongest tablet that may be broken, in its unit
    """

    preparation: Preparation
    mask: int
    largest_half: Fraction

    @property
    def strengths(self) -> tuple[Fraction, ...]:
        """The strengths, ascending."""
        return makings(self.preparation).strengths(self.mask)

    def way(self, amount: Fraction) -> Making | None:
        """How a day's dose is made from this kit, whole tablets first."""
        return makings(self.preparation).way(amount, self.mask, self.largest_half)

    def day_dose(self, amount: Fraction) -> DayDose:
        """A day's dose in tablets of this kit.

        Raises
        ------
        DomainError
            field ``stock``, where it does not make the dose.
        """
        way = self.way(amount)
        if way is None:
            raise not_stocked(self.preparation, quantity(amount, self.preparation.unit))
        return day_dose(self.preparation, way)


def not_stocked(preparation: Preparation, wanted: str) -> DomainError:
    """The refusal where no tablets on the list make a dose."""
    return DomainError(
        Category.OUT_OF_RANGE,
        "stock",
        f"no stocked strength of {preparation.name} makes {wanted}"
        f"{' in whole tablets' if preparation.weekly else ''}",
    )


@lru_cache(maxsize=2048)  # a tablet table: one plan asks for the same few again for each branch
def smallest_kit(
    preparation: Preparation,
    doses: frozenset[Fraction],
    also: frozenset[Fraction],
    home: frozenset[Fraction],
    largest_half: Fraction,
) -> Kit:
    """The fewest strengths, beyond those at home, of which every one of `doses` can be made.

    A strength without a verified code counts as two. Among equally few, in this order: those with
    the fewest doses that break a tablet, then that share a week; those with verified codes; a
    single tablet for a single dose; those that make most of `also` (the doses of the branches); the
    fewest pieces.

    Raises
    ------
    DomainError
        field ``stock``, where no tablets make one of the doses.
    """
    table = makings(preparation)
    ways = {dose: _ways(preparation, dose, largest_half) for dose in doses}
    for dose in sorted(doses):
        if not ways[dose]:
            raise not_stocked(preparation, quantity(dose, preparation.unit))
    later = [_ways(preparation, dose, largest_half) for dose in also]
    at_home = table.mask(home)
    for bought in range(preparation.handful.bought + 1):
        fitting = [
            (burden, mask)
            for mask in _choices(preparation, at_home, bought)
            if (burden := _burden(mask, ways.values(), later))
        ]
        if fitting:
            chosen = min(fitting)[1]
            return Kit(preparation, _used(chosen, [*ways.values(), *later]), largest_half)
    wanted = " and ".join(quantity(dose, preparation.unit) for dose in sorted(doses))
    raise not_stocked(preparation, wanted)


def _ways(preparation: Preparation, dose: Fraction, largest_half: Fraction) -> tuple[Making, ...]:
    """The ways to make a dose that break nothing stronger than asked, best first."""
    table = makings(preparation)
    limit = largest_half * table.scale
    return tuple(way for way in table.ways(dose) if way.largest_half <= limit)


def _best(mask: int, ways: Iterable[Making]) -> Making | None:
    """The first of a dose's ways that needs only these strengths."""
    return next((way for way in ways if not way.mask & ~mask), None)


def _choices(preparation: Preparation, at_home: int, cost: int) -> Iterator[int]:
    """What is at home, together with other strengths that cost so much."""
    others = [
        (1 << place, 1 if strength in preparation.coded or not preparation.coded else 2)
        for place, strength in enumerate(preparation.strengths)
        if not at_home >> place & 1
    ]
    for many in range((cost + 1) // 2, cost + 1):
        for chosen in combinations(others, many):
            if sum(each for _, each in chosen) == cost:
                yield at_home | sum(bit for bit, _ in chosen)


def _burden(
    mask: int, doses: Iterable[Sequence[Making]], also: Iterable[Sequence[Making]]
) -> tuple[int, ...] | None:
    """How much trouble these tablets are to a patient and a pharmacy; less is better.

    ``None`` where they do not make every one of `doses`, each given by its ways.
    """
    ways = []
    for dose in doses:
        way = _best(mask, dose)
        if way is None:
            return None
        ways.append(way)
    missing = sum(_best(mask, dose) is None for dose in also)
    lone = len(ways) == 1 and ways[0].pieces > 1  # one dose day after day: one tablet if it can be
    return (
        sum(way.halves > 0 for way in ways),
        sum(way.weekly for way in ways),
        sum(way.uncoded for way in ways),
        lone,
        missing,
        sum(way.pieces for way in ways),
        mask,
    )


def _used(mask: int, doses: Iterable[Sequence[Making]]) -> int:
    """The strengths that its doses, and what it makes of the others, need."""
    used = 0
    for dose in doses:
        way = _best(mask, dose)
        used |= way.mask if way else 0
    return used
