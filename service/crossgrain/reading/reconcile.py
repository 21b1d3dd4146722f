"""Several resources for one medicine: counted once where they say so, asked where not.

An order may take the place of an earlier one, and a statement name the order that it was made
from. A chain follows the dates and never comes back to where it began.
"""

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import Believed, CodeTables
from crossgrain.reading.dose_lines import leaves_days, refuse_implausible
from crossgrain.reading.elements import Asked, Asks
from crossgrain.reading.quantities import in_unit
from crossgrain.reading.reading import Notes
from crossgrain.reading.record import MedicineEntry, Span
from crossgrain.reading.said_again import without_said_again
from crossgrain.reading.schedule import WEEK
from crossgrain.reading.today import Hormone

IN_A_CIRCLE = "Resources say of each other that one stands for the other. Which are taken?"
_UNDATED = "An order says that it replaces another, and one of the two has no date. Which is taken?"
_OLDER = "An order says that it replaces a newer one. Which of the two is taken?"


@frozen
class Order:
    """An order in a chain: the reference of the one it replaces, and its first day."""

    replaces: str | None
    first_day: int | None


def doubts_of(orders: Mapping[str, Order]) -> dict[str, str]:
    """What is to be asked of each order whose word on what it replaces cannot be relied on."""
    links = {own: to for own, order in orders.items() if (to := order.replaces) in orders and to}
    found = dict.fromkeys(leading_in_circles({o: [to] for o, to in links.items()}), IN_A_CIRCLE)
    for own, to in links.items():
        later, earlier = orders[own].first_day, orders[to].first_day
        if later is None or earlier is None:
            found.setdefault(own, _UNDATED)
        elif later < earlier:
            found.setdefault(own, _OLDER)
    return found


def leading_in_circles(links: Mapping[str, Iterable[str]]) -> set[str]:
    """Every name from which one comes into a circle; linear in the links.

    >>> sorted(leading_in_circles({"a": ["b"], "b": ["c"], "c": ["b"], "d": ["e"]}))
    ['a', 'b', 'c']
    """
    into: dict[str, list[str]] = {}
    left = dict.fromkeys(links, 0)
    for name, targets in links.items():
        for target in targets:
            into.setdefault(target, []).append(name)
            left[name] += 1
    ended = [name for name in {*into, *left} if not left.get(name)]
    while ended:
        for name in into.get(ended.pop(), ()):
            left[name] -= 1
            if not left[name]:
                ended.append(name)
    return {name for name, count in left.items() if count}


def reconciled(
    taken: list[Hormone], past: Sequence["Past"], codes: CodeTables, notes: Notes
) -> list[Hormone]:
    """The medicines taken, without orders that a newer order or a statement stands for.

    An order whose place was taken by one of the past, which was stopped or paused or is over, is
    asked about: the older one has been given up too, unless somebody went back to it.

    Two of one hormone that are not tied together may be one medicine written twice: asked,
    unless one group identifier says that they were ordered together. Even so they must differ,
    and come together to a dose that somebody takes.
    """
    kept = _without_restated(_without_replaced(taken, past, notes), notes)
    kept = without_said_again(kept, codes.believed.renewal_days, notes)
    by_kind: dict[Kind, list[Hormone]] = {}
    for hormone in kept:
        by_kind.setdefault(hormone.kind, []).append(hormone)
    implausible: set[str] = set()
    for several in by_kind.values():
        shared = len(several) > 1 and _share_the_week(several, codes, notes)
        if not shared:
            implausible |= _implausible(several, codes, notes)
            if len(several) > 1:
                _ask_about(several, codes, notes)
        _ask_about_the_whole(several, notes)
    return [_undosed(each) if each.path in implausible else each for each in kept]


def _implausible(several: Sequence[Hormone], codes: CodeTables, notes: Notes) -> set[str]:
    """Ask about doses of some days of the week that no others make whole, as of any dose alone."""
    found = set()
    for hormone in several:
        lines = hormone.entry.lines
        if hormone.days_known and leaves_days(lines):
            try:
                refuse_implausible(lines, codes, lines[0].origin.rpartition("[")[0])
            except Asked as asked:
                notes.ask(asked)
                found.add(hormone.path)
    return found


def _undosed(hormone: Hormone) -> Hormone:
    """The medicine without the dose that is asked about."""
    return replace(hormone, entry=replace(hormone.entry, lines=()))


_SHARED = "Several orders on different days of the week were read as one regimen. Is it taken so?"


def _share_the_week(several: Sequence[Hormone], codes: CodeTables, notes: Notes) -> bool:
    """Whether each holds days of the week of its own, and all of them the whole week."""
    cycles = [line.cycle for hormone in several for line in hormone.entry.lines]
    told = all(hormone.entry.lines and hormone.days_known for hormone in several)
    if not told or any(len(cycle) != len(WEEK) for cycle in cycles):
        return False
    if any(sum(1 for dose in day if dose) != 1 for day in zip(*cycles, strict=True)):
        return False
    lines = [line for hormone in several for line in hormone.entry.lines]
    try:
        refuse_implausible(lines, codes, several[0].entry.path)
    except Asked as asked:
        notes.ask(asked)
    notes.confirm(several[0].entry.path, _SHARED)
    return True


def _ask_about(several: list[Hormone], codes: CodeTables, notes: Notes) -> None:
    """Note what is uncertain about several medicines of one hormone."""
    first, *others = several
    for place, hormone in enumerate(others, start=1):
        if not hormone.group or hormone.group != first.group:
            notes.ask(
                Asked(
                    hormone.entry.path,
                    f"Two {hormone.kind} medicines are active ({first.entry.path} and"
                    f" {hormone.entry.path}). Are both taken, or is one of them the other? If"
                    " both, give the orders one groupIdentifier.",
                    Asks.WHICH_OF_TWO,
                    first.entry.path,
                )
            )
        elif hormone.in_all is None and any(
            hormone.entry.lines and _daily(earlier) == _daily(hormone)
            for earlier in several[:place]
        ):
            notes.ask(
                Asked(
                    hormone.entry.path,
                    "Two orders of one group say the same. Are both taken?",
                    Asks.WHICH_OF_TWO,
                    first.entry.path,
                )
            )
    lines = [line for hormone in several for line in hormone.entry.lines]
    both = [
        (first.group and hormone.group == first.group)
        or notes.says_yes(hormone.entry.path, Asks.WHICH_OF_TWO)
        for hormone in others
    ]
    if lines and all(both):
        try:
            refuse_implausible(lines, codes, first.entry.path)
        except Asked as asked:
            notes.ask(asked)


def _ask_about_the_whole(several: list[Hormone], notes: Notes) -> None:
    """Orders that name what they come to together must come to it: none missing, none twice."""
    by_group: dict[tuple[str, str] | None, list[Hormone]] = {}
    for hormone in several:
        by_group.setdefault(hormone.group, []).append(hormone)
    for hormone in several:
        group = by_group[hormone.group]
        if hormone.in_all is None or any(not other.entry.lines for other in group):
            continue
        lines = [line for other in group for line in other.entry.lines]
        daily = sum((line.daily for line in lines), Fraction(0))
        if daily != hormone.in_all:
            unit = lines[0].preparation
            notes.ask(
                Asked(
                    hormone.entry.path,
                    f"The order says that it comes to {in_unit(hormone.in_all, unit)} a day with"
                    f" the others of its group, and they come to {in_unit(daily, unit)}. What is"
                    " taken?",
                )
            )


def _without_replaced(taken: list[Hormone], past: Sequence["Past"], notes: Notes) -> list[Hormone]:
    """Drop an order that a newer one replaces; ask where their word on that is in doubt."""
    orders = {t.entry.reference: Order(t.entry.replaced, t.entry.first_day) for t in taken}
    doubts = doubts_of(orders)
    paths = {t.entry.reference: t.entry.path for t in taken}
    for each in taken:
        if each.entry.reference in doubts:
            of = f"{each.entry.path}.priorPrescription"
            older = paths.get(each.entry.replaced or "", "")
            notes.ask(Asked(of, doubts[each.entry.reference], Asks.WHICH_OF_TWO, older))
    replaced = {order.replaces for own, order in orders.items() if own not in doubts}
    given_up = [entry for _, entry in past if entry.replaced]
    newer: dict[str | None, list[MedicineEntry]] = {}
    for entry in given_up:
        newer.setdefault(entry.replaced, []).append(entry)
    replaced |= _through(given_up, replaced, orders)
    replaced |= {statement for each in taken for statement in each.changes}
    notes.forget({each.entry.path for each in taken if each.entry.reference in replaced})
    kept = []
    for each in taken:
        if each.entry.reference in replaced:
            notes.unread(each.entry.path, "not counted as taken: a newer order replaces it")
        else:
            kept.append(each)
            _ask_whether_gone_back(each, newer.get(each.entry.reference, ()), notes)
    return kept


def _through(
    given_up: Sequence[MedicineEntry],
    replaced: AbstractSet[str | None],
    orders: Mapping[str, Order],
) -> set[str]:
    """The orders whose place was taken by one that a newer order replaces in its turn."""
    past = {entry.reference: Order(entry.replaced, entry.first_day) for entry in given_up}
    doubts, found, left = doubts_of({**orders, **past}), set[str](), list(replaced)
    while left:
        own = left.pop()
        older = past[own].replaces if own in past and own not in doubts else None
        if older is not None and older not in found:
            found.add(older)
            left.append(older)
    return found


def _ask_whether_gone_back(order: Hormone, newer: Sequence[MedicineEntry], notes: Notes) -> None:
    """Ask about an order whose place others took that were given up since.

    One that was written after such another is the newer word.
    """
    for other in newer:
        if not _begins_after(order.entry, other):
            over = (
                "has ended"
                if other.status == "active"
                else f"is {other.status.replace('-', ' ')} now"
            )
            notes.ask(
                Asked(
                    order.entry.path,
                    f"This {order.kind} medicine stands as taken, but {other.path} took its place,"
                    f" and {over}. Is it taken now?",
                    Asks.TAKEN,
                )
            )


def _begins_after(one: MedicineEntry, other: MedicineEntry) -> bool:
    first, earlier = one.first_day, other.first_day
    return first is not None and earlier is not None and first > earlier


def _without_restated(taken: list[Hormone], notes: Notes) -> list[Hormone]:
    """Drop an order that a statement was made from; ask where their doses differ."""
    by_reference = {t.entry.reference: t for t in taken}
    circles = leading_in_circles({t.entry.reference: t.stems_from for t in taken})
    dropped: set[str] = set()
    for statement in taken:
        if statement.entry.reference in circles:
            notes.ask(Asked(statement.entry.path, IN_A_CIRCLE, Asks.TAKEN))
            continue
        for source in statement.stems_from:
            order = by_reference.get(source)
            if order is None:
                continue
            if _daily(order) != _daily(statement):
                notes.ask(
                    Asked(
                        statement.entry.path,
                        "The statement was made from an order of another dose. Which is taken?",
                        Asks.WHICH_OF_TWO,
                        order.entry.path,
                    )
                )
                continue
            dropped.add(source)
            notes.unread(
                order.entry.path, "counted once: a statement made from it is in the record"
            )
    notes.forget({t.entry.path for t in taken if t.entry.reference in dropped})
    return [t for t in taken if t.entry.reference not in dropped]


Dose = tuple[Kind, tuple[tuple[str, Fraction], ...]]


def _daily(taken: Hormone) -> Dose:
    return _dose(taken.kind, taken.entry.lines)


def _dose(kind: Kind, lines: Sequence[DoseLine]) -> Dose:
    return kind, tuple((line.preparation.id, line.daily) for line in lines)


Past = tuple[Kind, MedicineEntry]
"""A medicine that was stopped or paused."""


def still_stopped(past: Sequence[Past], taken: Sequence[Hormone]) -> list[Past]:
    """What was stopped or paused and has not been taken up again."""
    kinds = {hormone.kind for hormone in taken}
    return [(kind, entry) for kind, entry in past if kind not in kinds]


def days_unchanged(
    taken: Sequence[Hormone], past: Sequence[Past], believed: Believed
) -> int | None:
    """Days since the regimen last changed, where every start is known.

    A renewal at the same dose is no change: its start is that of what it renews.
    """
    earlier: dict[Dose, list[Span]] = {}
    spans = [(kind, span) for kind, entry in past for span in entry.by_date]
    spans += [(hormone.kind, span) for hormone in taken for span in hormone.entry.over]
    spans += [(hormone.kind, span) for hormone in taken for span in hormone.renews]
    for kind, span in spans:
        earlier.setdefault(_dose(kind, span.lines), []).append(span)
    starts = [
        _since(hormone, earlier.get(_daily(hormone), []), believed.renewal_days)
        for hormone in taken
    ]
    if not starts or any(start is None for start in starts):
        return None
    return -max(start for start in starts if start is not None)


def _since(hormone: Hormone, earlier: Sequence[Span], renewed_within: int) -> int | None:
    """The first day of an unbroken chain of prescriptions of one dose."""
    start = hormone.entry.since
    for span in sorted(earlier, key=lambda span: -(span.first_day or 0)):
        if start is None or span.first_day is None or span.first_day >= start:
            continue
        ended = span.last_day if span.last_day is not None else start
        if start - ended <= renewed_within:
            start = span.first_day
    return start
