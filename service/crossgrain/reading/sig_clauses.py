"""What the phrases of an instruction come to: how much, how often, on which days.

A clause is what stands between two joints. Each phrase adds to its clause or is refused there, and
clauses without an amount go to the one that they belong to. The grammar stands in `sig_languages`.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple

from crossgrain.reading.quantities import Amount, Dimension
from crossgrain.reading.schedule import (
    DAILY,
    WEEK,
    Schedule,
    every,
    every_hours,
    on_weekdays,
    times_a_day,
    times_a_week,
)
from crossgrain.reading.sig import Sig, SigPart, days_disjoint, of_scheme

Symbol = tuple[str, Any]
"""What a phrase means: its table in the file, and the value where the table has several."""
_UNITS = {
    "piece": (Dimension.PIECE, Fraction(1)),
    "microgram": (Dimension.MASS, Fraction(1)),
    "milligram": (Dimension.MASS, Fraction(1000)),
}
ABBREVIATED = "~"
"""Stands behind a day of the week whose abbreviation may mean something else."""
_LARGEST_COUNT = 2
"""A number of nothing named is of tablets up to here."""


def sig_of(symbols: Sequence[Symbol]) -> Sig | None:
    """The instruction that the phrases make together; ``None`` where they make none for certain."""
    clauses = _clauses(symbols)
    joined = clauses and _joined(clauses)
    if not joined:
        return None
    if any(clause.scheme for clause in joined):
        return _by_scheme(joined)
    parts = [part for clause in joined if (part := clause.part())]
    if len(parts) < len(joined):
        return None
    apart = len(parts) == 1 or _at_times_apart(joined) or days_disjoint(parts)
    return Sig(tuple(parts)) if apart else None


class Beside(NamedTuple):
    """What phrases say of a dose, without being an instruction.

    Attributes
    ----------
    schedules : how often, and on which days
    amounts : of a dose, or of one tablet
    """

    schedules: tuple[Schedule, ...] = ()
    amounts: tuple[Amount, ...] = ()


def said_by(symbols: Sequence[Symbol]) -> Beside | None:
    """What phrases say beside a dose; ``None`` where they bear on it and cannot be made out."""
    clauses = _clauses(symbols)
    if clauses is None or any(clause.scheme or not clause.counts() for clause in clauses):
        return None
    alone = all(clause.amount is None for clause in clauses)
    joined = _in_one(clauses) if alone else _joined(clauses)
    if joined is None:
        return None
    schedules = [(clause.schedule(), clause.empty) for clause in joined]
    if any(schedule is None and not empty for schedule, empty in schedules):
        return None
    amounts = [each for clause in joined for each in (clause.amount, clause.mass) if each]
    return Beside(tuple(often for often, _ in schedules if often), tuple(amounts))


@dataclass(slots=True)
class _Clause:
    """What stands between two joints."""

    amount: Amount | None = None
    mass: Amount | None = None
    bare: bool = False
    scheme: tuple[Fraction, ...] = ()
    often: list[Schedule] = field(default_factory=list)
    daily: bool = False
    moments: set[str] = field(default_factory=set)
    days: set[str] = field(default_factory=set)
    without: set[str] = field(default_factory=set)
    abbreviated: int = 0
    once: bool = False

    @property
    def empty(self) -> bool:
        """Whether it says nothing of when."""
        return not (self.often or self.daily or self.moments or self.days or self.without)

    def counts(self) -> bool:
        """Whether its number can be one of tablets, and its times are of one."""
        counted = self.amount is None or not self.bare or self.amount.value == 1
        return counted and (not self.once or self.amount is None or self.amount.value == 1)

    def only_adds(self) -> bool:
        """Whether it names only days or times of day, as the rest of a list does."""
        return not (self.often or self.daily or self.without or self.once or self.mass)

    def part(self) -> SigPart | None:
        """The clause as a part of an instruction, where it is one."""
        schedule = self.schedule()
        if self.amount is None or schedule is None or (self.once and self.amount.value != 1):
            return None
        counts = self.amount.value == 1 or schedule == DAILY
        if self.bare and (self.amount.value > _LARGEST_COUNT or not counts):
            return None
        several = self.amount.dimension is Dimension.PIECE and self.amount.value != 1
        which = self.mass is not None and several
        return SigPart(self.amount, schedule, self.mass, mass_of_which=which)

    def schedule(self) -> Schedule | None:
        """How often, where everything that says so agrees."""
        if len(set(self.often)) > 1 or (self.days and self.without):
            return None
        said = self.often[0] if self.often else None
        times = len(self.moments)
        if said is None and times:
            said = times_a_day(times)
        elif times and said and times != max(said.doses):
            return None
        if self.daily:
            said = said or DAILY
            if said.per_day < 1:
                return None
        return self._on_days(said) if self.days or self.without else said

    def _on_days(self, said: Schedule | None) -> Schedule | None:
        days = self.days or set(WEEK) - self.without
        if self.abbreviated and len(self.days or self.without) == 1:
            return None
        if self.daily and len(self.days) == 1:
            return None  # "daily Monday" may be since then
        weekly = said is not None and len(said.doses) == 7 and said.per_day * 7 == len(days)
        return on_weekdays(frozenset(days)) if said in (None, DAILY) or weekly else None


def _clauses(symbols: Sequence[Symbol]) -> list[_Clause] | None:
    clauses = [_Clause()]
    place = 0
    while place < len(symbols):
        if symbols[place][0] == "and":
            clauses.append(_Clause())
            place += 1
            continue
        taken = _TAKE.get(symbols[place][0], _nothing)(clauses[-1], symbols, place)
        if not taken:
            return None
        place += taken
    return clauses


def _nothing(_: _Clause, __: Sequence[Symbol], ___: int) -> int:
    return 0


def _kinds(symbols: Sequence[Symbol], place: int, count: int) -> list[str]:
    return [kind for kind, _ in symbols[place : place + count]]


def _take_number(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    """An amount, or a scheme by the times of day; returns how many symbols it took."""
    if clause.amount is not None or clause.scheme:
        return 0
    if _kinds(symbols, place, 5) == ["number", "-", "number", "-", "number"]:
        return _take_scheme(clause, symbols, place)
    value, taken = symbols[place][1], 1
    kinds = _kinds(symbols, place + 1, 2)
    halved = "and_a_half" in kinds[: 1 + (bool(kinds) and kinds[0] in _UNITS)]
    if halved and value.denominator == 1:
        value += Fraction(1, 2)
    elif halved:
        return 0
    unit = next((kind for kind in kinds[: 1 + halved] if kind in _UNITS), None)
    dimension, factor = _UNITS[unit or "piece"]
    clause.bare = unit is None
    clause.amount = Amount(dimension, value * factor)
    return taken + halved + (unit is not None) if value else 0


def _take_scheme(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    end = place + 5
    if _kinds(symbols, end, 2) == ["-", "number"]:
        end += 2
    if end < len(symbols) and symbols[end][0] in ("-", "number"):
        return 0
    clause.scheme = tuple(symbols[at][1] for at in range(place, end, 2))
    return end - place + (_kinds(symbols, end, 1) == ["piece"])


def _take_bracket(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    """A mass in brackets, or something that says nothing of the dose."""
    kinds = _kinds(symbols, place, 4)
    if kinds[:3] == ["(", "filler", ")"]:
        return 3
    if kinds[:2] != ["(", "number"] or kinds[3:] != [")"] or clause.mass is not None:
        return 0
    if kinds[2] not in ("microgram", "milligram"):
        return 0
    dimension, factor = _UNITS[kinds[2]]
    clause.mass = Amount(dimension, symbols[place + 1][1] * factor)
    return 4


def _take_days(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    opened = symbols[place][0] == "from"
    place += opened
    kinds = _kinds(symbols, place, 3)
    first = symbols[place][1] if kinds[:1] == ["days"] else ""
    if kinds in (["days", "to", "days"], ["days", "-", "days"]):
        start, end = WEEK.index(first[:3]), WEEK.index(symbols[place + 2][1][:3])
        named = WEEK[start : end + 1] if start <= end else (*WEEK[start:], *WEEK[: end + 1])
        clause.days |= set(named)
        return 3 + opened
    if opened or not first:
        return 0  # "from Monday" is since then
    clause.days.add(first[:3])
    clause.abbreviated += first.endswith(ABBREVIATED)
    return 1


def _take_round(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    clause.days |= set(WEEK[5:] if symbols[place][0] == "weekend" else WEEK[:5])
    return 1


def _take_except(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    kind = _kinds(symbols, place + 1, 1)
    if clause.days or clause.without or kind not in (["days"], ["workdays"], ["weekend"]):
        return 0
    take = _take_days if kind == ["days"] else _take_round
    taken = take(clause, symbols, place + 1)
    clause.without, clause.days = clause.days, set()
    return 1 + taken


def _take_often(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    kind, count = symbols[place]
    schedule = _OFTEN[kind](Fraction(1) if count is None else count)
    if schedule is None:
        return 0
    clause.often.append(schedule)
    return 1


def _take_daily(clause: _Clause, _: Sequence[Symbol], __: int) -> int:
    clause.daily = True
    return 1


def _take_moment(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    clause.moments.add(symbols[place][1])
    return 1


def _take_once(clause: _Clause, symbols: Sequence[Symbol], place: int) -> int:
    """ "1 x" before one tablet says nothing more; any other number of times is left open."""
    clause.once = True
    return int(symbols[place][1] == 1)


def _take_filler(_: _Clause, __: Sequence[Symbol], ___: int) -> int:
    return 1


def _whole(count: Fraction, most: int) -> int | None:
    return int(count) if count.denominator == 1 and 0 < count <= most else None


def _a_day(count: Fraction) -> Schedule | None:
    times = _whole(count, 6)
    return times_a_day(times) if times else None


def _a_week(count: Fraction) -> Schedule | None:
    times = _whole(count, 7)
    return times_a_week(times) if times else None


def _every_days(count: Fraction) -> Schedule | None:
    days = _whole(count, 7)
    return every(days) if days else None


def _every_hours(count: Fraction) -> Schedule | None:
    hours = _whole(count, 168)
    return every_hours(hours) if hours else None


_OFTEN: Mapping[str, Callable[[Fraction], Schedule | None]] = {
    "times_a_day": _a_day,
    "times_a_week": _a_week,
    "every_days": _every_days,
    "every_hours": _every_hours,
    "every_other_day": lambda _: every(2),
    "weekly": lambda _: every(7),
}
_TAKE: Mapping[str, Callable[[_Clause, Sequence[Symbol], int], int]] = {
    **dict.fromkeys(_OFTEN, _take_often),
    "number": _take_number,
    "times": _take_once,
    "(": _take_bracket,
    "days": _take_days,
    "from": _take_days,
    "workdays": _take_round,
    "weekend": _take_round,
    "except": _take_except,
    "daily": _take_daily,
    "moments": _take_moment,
    "filler": _take_filler,
}


def _joined(clauses: Sequence[_Clause]) -> list[_Clause] | None:
    """Clauses without an amount put to the one that they belong to; ``None`` where two could be."""
    kept: list[_Clause] = []
    opening: list[_Clause] = []
    unplaced = False
    for clause in clauses:
        if clause.amount is None and not clause.scheme:
            if clause.empty and not clause.once and clause.mass is None:
                continue
            if not kept:
                opening.append(clause)
            elif not clause.only_adds() or not _added(kept[-1], clause):
                return None
            else:
                unplaced = True
            continue
        if unplaced:
            return None  # it may belong to what follows as well
        kept.append(clause)
    for clause in opening:
        alone = len(kept) == 1 or (len(kept) > 1 and not (clause.often or clause.once))
        if not alone or not _opens(kept[0], clause):
            return None
    return kept


def _in_one(clauses: Sequence[_Clause]) -> list[_Clause] | None:
    """Clauses without an amount put together; ``None`` where they cannot be of one dose."""
    whole, *more = clauses
    for clause in more:
        if not (_added(whole, clause) if clause.only_adds() else _opens(whole, clause)):
            return None
    return [whole]


def _added(clause: _Clause, more: _Clause) -> bool:
    """Put the rest of a list to the clause that it goes on from."""
    if more.days and clause.without:
        clause.without |= more.days
    elif more.days and (clause.days or not (clause.often or clause.daily)):
        clause.days |= more.days
    elif more.days:
        return False
    clause.moments |= more.moments
    clause.abbreviated += more.abbreviated
    return True


def _opens(clause: _Clause, before: _Clause) -> bool:
    """Put what was said before the amount to it."""
    if before.mass is not None or (before.without and clause.days):
        return False
    clause.often += before.often
    clause.daily |= before.daily
    clause.moments |= before.moments
    clause.days |= before.days
    clause.without |= before.without
    clause.abbreviated += before.abbreviated
    clause.once |= before.once
    return True


def _by_scheme(clauses: Sequence[_Clause]) -> Sig | None:
    """Tablets by the times of day, with nothing beside them but "daily"."""
    clause = clauses[0]
    plain = not (clause.moments or clause.days or clause.without or clause.mass or clause.once)
    once = all(often == DAILY for often in clause.often) and not (
        clause.often and sum(map(bool, clause.scheme)) > 1
    )
    if len(clauses) > 1 or clause.amount is not None or not plain or not once:
        return None
    return of_scheme(clause.scheme)


def _at_times_apart(clauses: Sequence[_Clause]) -> bool:
    """Whether each is taken daily at one time of day of its own."""
    times = [moment for clause in clauses for moment in clause.moments]
    alone = all(len(c.moments) == 1 and not (c.days or c.without or c.often) for c in clauses)
    return alone and len(times) == len(set(times))
