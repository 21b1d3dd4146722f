"""What becomes of the doses while a question, or what stops a course, is not settled.

Nobody knows for how long that is, so every order that is followed and ends is named: hormone is
never to end because nobody answered. What is filed to fall does so, and is said, with how low
coverage gets.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import field, replace
from fractions import Fraction
from itertools import groupby

from crossgrain.catalogue import Catalogue
from crossgrain.core.series import ended_lately, is_taken_up, is_the_last, last_days
from crossgrain.core.standing import Standing, UnknownStanding
from crossgrain.dosing.onward import Dated, while_waiting
from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.underway import Underway, unbroken
from crossgrain.names.errors import DomainError
from crossgrain.names.values import frozen
from crossgrain.reading.record import MedicineEntry, Record, Span


@frozen
class Meanwhile:
    """The doses from today on, where nothing is decided.

    Attributes
    ----------
    ends : orders that end, none going on after them: followed today, to be followed later, or over
        already where it is asked what is taken
    to_come : what is filed to fall or to end meanwhile: the doses of a day that then hold instead
        of today's, the last of them until it is settled
    lowest : the lowest coverage by basis on today's doses and on those
    """

    ends: tuple[MedicineEntry, ...] = ()
    to_come: tuple[Dated, ...] = ()
    lowest: Mapping[str, float] = field(default_factory=dict)


NOTHING_WAITS = Meanwhile()
"""Where a visit ends with a plan."""


def until_settled(
    where: Standing | UnknownStanding,
    record: Record,
    stayed: Set[str],
    catalogue: Catalogue,
    *,
    ends_as_meant: bool,
) -> Meanwhile:
    """What becomes of them.

    Parameters
    ----------
    record : as it is answered
    stayed : how the input refers to orders that are to bring no other dose than today's
    ends_as_meant : whether the last of the old medicine ends where the plan has it end; a dose that
        falls waits with the rise beside it, and so does one that ends
    """
    underway = where.underway
    if underway is None:
        return Meanwhile(tuple(_ending(record, stayed, frozenset())))
    given_up = _given_up(underway, record) if ends_as_meant else frozenset()
    ends = tuple(_ending(record, stayed, given_up))
    to_come = _to_come(record, stayed, {entry.reference for entry in ends})
    over = () if isinstance(where, Standing) else tuple(_over(underway, record, stayed, catalogue))
    lowest = _lowest(underway, where.family, to_come, catalogue)
    return Meanwhile((*ends, *over), to_come, lowest)


def _lowest(
    underway: Underway, family: str, to_come: Sequence[Dated], catalogue: Catalogue
) -> Mapping[str, float]:
    with suppress(DomainError):  # no chart reaches today's doses: what is asked is asked anyway
        return while_waiting(underway, catalogue.plans[family].tables, to_come)
    return {}


# --- what ends -----------------------------------------------------------------------------------


def _given_up(underway: Underway, record: Record) -> frozenset[Kind]:
    """The medicines that the plan has end by its dates; one that its last step has awaits labs."""
    held = underway.planned[-1].regimen.kinds if underway.planned else frozenset()
    goes_on = underway.beside.union(underway.wish.target.kinds, held)
    return frozenset(record.regimen.kinds - goes_on)


def _ending(record: Record, stayed: Set[str], given_up: Set[Kind]) -> Iterator[MedicineEntry]:
    """The last order of each medicine that ends, none going on after it."""
    later = _to_begin(record, stayed)
    for entry in (*record.current, *later):
        ends = entry.last_day is not None and entry.kinds - given_up
        if ends and not any(_takes_over(each, entry) for each in later):
            yield entry


def _over(
    underway: Underway, record: Record, stayed: Set[str], catalogue: Catalogue
) -> Iterator[MedicineEntry]:
    """Orders that ended before today of what the plan still has: it is asked what is taken."""
    later = _to_begin(record, stayed)
    ahead = [each for each in underway.planned if each.last_day >= 0] or underway.planned[-1:]
    planned = {kind for each in ahead for kind in each.regimen.kinds}
    ended = [
        each
        for each in ended_lately(record, catalogue.rules)
        if is_taken_up(each) and each.kinds <= planned
    ]
    last = last_days(ended)
    for entry in ended:
        if is_the_last(entry, last) and not any(_takes_over(each, entry) for each in later):
            yield entry


def _to_begin(record: Record, stayed: Set[str]) -> list[MedicineEntry]:
    """The orders ahead that neither wait nor end."""
    return [
        each
        for each in (*record.ahead, *record.drafts)
        if not each.option and each.reference not in stayed
    ]


def _takes_over(later: MedicineEntry, ends: MedicineEntry) -> bool:
    """Whether an order goes on with a medicine by the day after another ends."""
    same = not later.kinds.isdisjoint(ends.kinds)
    begins, last = later.first_day, ends.last_day or 0
    outlasts = later.last_day is None or later.last_day > last
    return same and outlasts and begins is not None and 0 <= begins <= last + 1


# --- what falls ----------------------------------------------------------------------------------


def _to_come(record: Record, stayed: Set[str], goes_on: Set[str]) -> tuple[Dated, ...]:
    """What is filed to fall or to end: the doses that then hold instead of today's, one by one.

    An order that waits goes on with today's dose, and one that is to be had anew with its last.
    """
    spans = list(_followed(record, stayed, goes_on))
    cuts = {day for each in spans for day in (each.first_day or 0, (each.last_day or 0) + 1)}
    end = max(cuts, default=0) + 1
    dated = [
        Dated.of(
            each.first_day or 0,
            end if each.last_day is None else each.last_day,
            Regimen(each.lines),
        )
        for each in spans
    ]
    today = _daily(Dated.of(0, 0, record.regimen))
    found: list[Dated] = []
    for daily, alike in groupby(unbroken(dated, 1, end + 1), key=_daily):
        first, *more = alike
        if not daily or any(amount > today.get(key, 0) for key, amount in daily.items()):
            break  # nothing would be taken, of which the last order's end tells; or a dose rises
        if found or daily != today:
            in_order = sorted(first.amounts, key=lambda pair: pair[0].id)
            last_day = [first, *more][-1].last_day
            found.append(replace(first, last_day=last_day, amounts=tuple(in_order)))
    return tuple(found)


def _followed(record: Record, stayed: Set[str], goes_on: Set[str]) -> Iterator[Span]:
    """The doses by date of every order that is followed, today or later."""
    for entry in (*record.current, *_to_begin(record, stayed)):
        if entry.reference in stayed:
            yield Span(None, None, entry.lines)
            continue
        *before, last = entry.by_date
        yield from before
        yield replace(last, last_day=None) if entry.reference in goes_on else last


def _daily(dated: Dated) -> dict[str, Fraction]:
    daily: dict[str, Fraction] = defaultdict(Fraction)
    for preparation, amount in dated.amounts:
        daily[preparation.id] += amount
    return daily
