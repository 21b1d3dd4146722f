"""Resources that say again what another says: renewals, used-up orders, a statement and its order.

An order stands as active until somebody ends it, so a record holds a year's renewals side by side.
None is dropped in silence: what is counted once, or is over, is named and to be confirmed.
What differs in strength, in dose or in its time of day stays, and is asked about (`reconcile`);
"in the morning" and "before breakfast" are one time of day in two wordings (`moments`).

===========================  =================================================  =============
one, and another             where                                              counted
===========================  =================================================  =============
an order, ordered again      the later begins in the last half of the supply,   the later
                             or after it; without a supply, long after; of two
                             prescribers, after the supply alone
an order of another dose of  its supply was over long before the later began,   the later
the same tablets             and both are of every day and of no two times
a statement, and an order    they name no two times of day, and the statement   the statement
of the same dose             no other source
===========================  =================================================  =============

"Long" is longer than the gap of a renewal, ``record.renewal_days``; more than that many days of
supply are never left over. What an early renewal leaves is added to the next supply: of somebody
who fetches a month's tablets every fortnight it is asked how many are taken.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from math import inf

from crossgrain.dosing.preparations import Kind
from crossgrain.reading.moments import in_one_wording
from crossgrain.reading.reading import Notes
from crossgrain.reading.today import Hormone

_AGAIN = "The same was ordered before and still stands, and was counted once. Is it taken once?"
_USED_UP = "An earlier order of the same tablets still stands, and its supply is over. Is it over?"
_ECHOED = "An order of the same dose stands beside it, and was counted once. Is it taken once?"


def without_said_again(taken: Sequence[Hormone], renewal_days: int, notes: Notes) -> list[Hormone]:
    """The medicines taken, without what another of them stands for.

    One of which something is asked stands for itself alone.
    """
    asked = notes.asked_about
    clear = [each for each in taken if each.path not in asked]
    kept = _without_renewed(clear, renewal_days, notes)
    kept = _without_used_up(kept, renewal_days, notes)
    by_path = {each.path: each for each in _without_echoed(kept, notes)}
    return [
        by_path.get(each.path, each) for each in taken if each.path in asked or each.path in by_path
    ]


def _without_renewed(taken: Sequence[Hormone], renewal_days: int, notes: Notes) -> list[Hormone]:
    """Orders of the same product, dose and time of day one after the other are one."""
    same: defaultdict[object, list[Hormone]] = defaultdict(list)
    for order in _ordered(taken):
        same[_product(order), _cycles(order), in_one_wording(order.when)].append(order)
    renewed: dict[str, Hormone] = {}
    for orders in same.values():
        chain: tuple[Hormone, ...] = ()
        until: float | None = None
        for earlier, later in pairwise(sorted(orders, key=_begins)):
            until = _lasts_until(earlier, until)
            chain = (*chain, earlier) if _renews(later, earlier, until, renewal_days) else ()
            if chain:
                _drop(earlier, later, _AGAIN, notes)
                spans = tuple(span for each in chain for span in each.entry.by_date)
                renewed[earlier.path] = earlier
                renewed[later.path] = replace(later, renews=spans)
    last = {path: each for path, each in renewed.items() if each.renews}
    gone = renewed.keys() - last.keys()
    return [last.get(each.path, each) for each in taken if each.path not in gone]


def _lasts_until(order: Hormone, until: float | None) -> float | None:
    """The day on which the supply ends, on top of what was left of the ones before."""
    if order.supply_days is None:
        return None
    return max(_begins(order), until if until is not None else -inf) + order.supply_days


def _renews(later: Hormone, earlier: Hormone, until: float | None, renewal_days: int) -> bool:
    """Whether an order of the same is one more supply, and not a second dose."""
    if _tied(later, earlier):
        return False
    if until is None or earlier.supply_days is None:
        return _begins(later) - _begins(earlier) > renewal_days and _of_one_hand(later, earlier)
    left = until - _begins(later)
    early = left <= renewal_days and 2 * left <= earlier.supply_days
    return left <= 0 or (early and _of_one_hand(later, earlier))


def _of_one_hand(one: Hormone, other: Hormone) -> bool:
    """Whether no two prescribers are named, of whom one may not know of the other."""
    hands = {one.entry.requester, other.entry.requester} - {None}
    return len(hands) <= 1


def _without_used_up(taken: Sequence[Hormone], renewal_days: int, notes: Notes) -> list[Hormone]:
    """An order whose supply was over long before one of the same tablets began is over too."""
    by_tablet: defaultdict[object, list[Hormone]] = defaultdict(list)
    for order in _ordered(taken):
        if order.entry.strength is not None:
            by_tablet[_product(order)].append(order)
    gone: set[str] = set()
    for orders in by_tablet.values():
        latest = max(orders, key=_begins)
        for order in orders:
            if order.supply_days is None or _tied(order, latest) or not _at_one_time(order, latest):
                continue
            if not (_every_day(order) and _every_day(latest)):
                continue
            if _begins(latest) - _begins(order) - order.supply_days > renewal_days:
                _drop(order, latest, _USED_UP, notes, "its supply is over, and")
                gone.add(order.path)
    return [each for each in taken if each.path not in gone]


def _without_echoed(taken: Sequence[Hormone], notes: Notes) -> list[Hormone]:
    """The one order of the dose that one statement says is what the statement speaks of."""
    same: defaultdict[object, list[Hormone]] = defaultdict(list)
    for each in taken:
        if each.entry.lines:
            same[each.kind, _cycles(each)].append(each)
    gone: set[str] = set()
    for several in same.values():
        orders = [each for each in several if each.is_order]
        statements = [each for each in several if not each.is_order]
        if len(orders) == len(statements) == 1 and _may_be_one(orders[0], statements[0]):
            _drop(orders[0], statements[0], _ECHOED, notes)
            gone.add(orders[0].path)
    return [each for each in taken if each.path not in gone]


def _may_be_one(order: Hormone, statement: Hormone) -> bool:
    """Whether nothing that both say differs."""
    strengths = {order.entry.strength, statement.entry.strength} - {None}
    return len(strengths) <= 1 and _at_one_time(order, statement) and not statement.sourced


def _at_one_time(one: Hormone, other: Hormone) -> bool:
    """Whether they name no two times of day, whatever the words for them."""
    if not (one.when and other.when):
        return True
    return in_one_wording(one.when) == in_one_wording(other.when)


def _every_day(order: Hormone) -> bool:
    """Whether it is of one dose on all days: one of some days may stand beside another."""
    return all(len(line.cycle) == 1 for line in order.entry.lines)


def _ordered(taken: Iterable[Hormone]) -> list[Hormone]:
    """The orders that have a dose and a day on which they begin."""
    return [
        each
        for each in taken
        if each.is_order
        and each.entry.lines
        and each.entry.first_day is not None
        and each.in_all is None
    ]


def _begins(order: Hormone) -> int:
    return order.entry.first_day or 0


def _product(order: Hormone) -> tuple[Kind, Fraction | None]:
    return order.kind, order.entry.strength


def _cycles(taken: Hormone) -> tuple[object, ...]:
    return tuple((line.preparation.id, line.cycle) for line in taken.entry.lines)


def _tied(one: Hormone, other: Hormone) -> bool:
    """Whether one group identifier says that both are taken."""
    return one is other or (one.group is not None and one.group == other.group)


def _drop(
    gone: Hormone, kept: Hormone, question: str, notes: Notes, why: str = "counted once:"
) -> None:
    notes.forget({gone.path})
    notes.unread(gone.path, f"{why} {kept.path} stands for it")
    notes.confirm(kept.path, question)
