"""One way to make a day's dose, and how the doses of LT3 at each time make its day.

LT3 acts within hours, so it is the single dose that is felt: above what is taken at once a day's
amount is divided, as evenly as tablets allow, the larger part in the morning.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import product
from typing import NamedTuple

from crossgrain.dosing.preparations import Division


class Making(NamedTuple):
    """One way to make a day's dose.

    Attributes
    ----------
    jumps : 0 where the day's doses are so even that a rise of the day by one increment raises none
        of them by more than `Division.most_rise`; 1 where they are not, 2 where a dose that should
        be divided is not
    crowded : tablets beyond `Handful.pieces` at any time, for the sake of LT3's single doses
    halves : tablets to be broken in a day
    weekly : 1 where two tablets share the days of the week, each on days of its own
    unlike : by how much the largest of the day's doses is above the smallest, in the table's
        smallest step
    pieces : taken in a day
    uncoded : strengths in it without a verified code
    order : breaks ties: fewer strengths, then stronger ones
    mask : the strengths that it needs, as bits in the order of the preparation's list
    largest_half : the strongest tablet that is broken, in the table's smallest step; 0 if none
    times : what is taken at each time of day, as pieces in the table's smallest step; where the
        week is shared, on the days of each part of it

    Ways are compared in this order: the rule of LT3's single doses, then whole tablets.
    """

    jumps: int
    crowded: int
    halves: int
    weekly: int
    unlike: int
    pieces: int
    uncoded: int
    order: tuple[int, ...]
    mask: int
    largest_half: int
    times: tuple[tuple[int, ...], ...]


Ways = dict[int, list[Making]]
"""The ways to make each amount, in the table's smallest step."""


def divided(single: Mapping[int, list[Making]], division: Division, scale: int) -> Ways:
    """The doses of a day from those of one time, divided as the preparation is to be.

    What no tablets divide evenly is divided unevenly, and what none divide is given at once; an
    amount that is made in a better way is never made in a worse one.

    Parameters
    ----------
    single : the ways to make the dose of one time
    division : how a day is divided
    scale : how many of the table's steps make one unit
    """
    best = {steps: useful(ways) for steps, ways in single.items()}
    at_once = int(division.undivided * scale)
    rise = int(division.most_rise * scale)
    days: Ways = defaultdict(list)
    for steps, ways in best.items():
        undivided = 2 if steps > at_once else 0
        days[steps] += [way._replace(jumps=undivided) for way in ways]
    for times in range(2, division.doses + 1):
        for parts in _alike(sorted(best, reverse=True), times, rise):
            whole = sum(parts)
            wanted = _times(whole, at_once, division.doses)
            if times <= wanted:
                days[whole] += _joined(parts, best, jumps=int(times < wanted))
    for parts in _halves_unlike(best, at_once, rise):
        days[sum(parts)] += _joined(parts, best, jumps=1)
    return {steps: useful(_least_jumps(ways)) for steps, ways in days.items()}


def _times(whole: int, at_once: int, most: int) -> int:
    """In how many doses a day's amount is taken: no more than leave each what is taken at once."""
    return min(most, -(-whole // at_once))


def _alike(amounts: Sequence[int], times: int, rise: int) -> Iterator[tuple[int, ...]]:
    """So many amounts of one time of day that differ by `rise` at the most, largest first."""
    for place, largest in enumerate(amounts):
        near = [other for other in amounts[place:] if largest - other <= rise]
        for rest in product(near, repeat=times - 1):
            if list(rest) == sorted(rest, reverse=True):
                yield (largest, *rest)


def _halves_unlike(amounts: Iterable[int], at_once: int, rise: int) -> Iterator[tuple[int, int]]:
    """Two amounts that are not as even as they should be, the smaller no mere trifle."""
    for larger, smaller in product(amounts, repeat=2):
        if rise < larger - smaller <= smaller + at_once:
            yield larger, smaller


def _least_jumps(ways: Sequence[Making]) -> Iterator[Making]:
    least = min(way.jumps for way in ways)
    return (way for way in ways if way.jumps == least)


def _joined(
    parts: tuple[int, ...], ways: Mapping[int, list[Making]], *, jumps: int
) -> Iterator[Making]:
    """The ways to make a day of these amounts, one for each time of day."""
    for times in product(*(ways[part] for part in parts)):
        mask = 0
        for way in times:
            mask |= way.mask
        yield Making(
            jumps=jumps,
            crowded=sum(way.crowded for way in times),
            halves=sum(way.halves for way in times),
            weekly=0,
            unlike=parts[0] - parts[-1],
            pieces=sum(way.pieces for way in times),
            uncoded=max(way.uncoded for way in times),
            order=(mask.bit_count(), *(rank for way in times for rank in way.order)),
            mask=mask,
            largest_half=max(way.largest_half for way in times),
            times=tuple(way.times[0] for way in times),
        )


def useful(ways: Iterable[Making]) -> list[Making]:
    """The ways in their order, without those that need more than a better one does.

    More is more strengths, or a stronger tablet to be broken.
    """
    kept: list[Making] = []
    for way in sorted(ways):
        if not any(
            not better.mask & ~way.mask and better.largest_half <= way.largest_half
            for better in kept
        ):
            kept.append(way)
    return kept
