"""The doses of a course: counted once, and in doubt where another resource says otherwise."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from crossgrain.dosing.preparations import Kind
from crossgrain.reading.chains import IN_A_CIRCLE, Order, doubts_of, leading_in_circles
from crossgrain.reading.course_medicines import Dated, intakes_of
from crossgrain.reading.currency import Standing
from crossgrain.reading.reading import Reading
from crossgrain.reading.taking import Denial, StandingOrders
from crossgrain.reading.views import MedicationRequest
from crossgrain.screening.course import End, Intake

_ANOTHER_DOSE = "A statement was made from an order of another dose. Which was taken?"


def counted_once(medicines: Sequence[Dated], reading: Reading) -> Iterator[Intake]:
    """The doses, without the orders that a statement of the same dose was made from.

    Where the doses differ, who stands for whom goes round in a circle or against the dates, or
    another resource says that it was not taken, what was taken is in doubt.
    """
    taken = [medicine for medicine in medicines if medicine.taken]
    read = {m.reference: list(intakes_of(m, reading)) for m in taken}
    doubts = _doubts(taken)
    restated = _restated(taken, read, doubts)
    against = _Against(medicines, reading)
    for medicine in taken:
        own = medicine.reference
        doubt = doubts.get(own, "")
        for intake in read[own]:
            said = replace(intake, doubt=doubt) if doubt else intake
            for piece in against.held_against(medicine, said):
                yield from _left_of(piece, restated.get(own, ()))


def _doubts(taken: Sequence[Dated]) -> dict[str, str]:
    """Why what a resource says of another cannot be relied on, by its reference."""
    circles = leading_in_circles({m.reference: m.stems_from for m in taken})
    orders = {m.reference: Order(m.replaces, m.standing.first_day) for m in taken}
    return {**dict.fromkeys(circles, IN_A_CIRCLE), **doubts_of(orders)}


def _restated(
    taken: Sequence[Dated], read: Mapping[str, list[Intake]], doubts: dict[str, str]
) -> dict[str, list[int | None]]:
    """Each order that statements of the same dose stand for: until which day, ``None`` for all.

    An order of several doses stands for the statement of one of them. A statement that came to
    an end stands for no more of an order that goes on. Notes a doubt where a statement says
    another dose.
    """
    said = {own: _said(intakes) for own, intakes in read.items()}
    standing = {m.reference: m.standing.standing for m in taken}
    found: dict[str, list[int | None]] = {}
    for medicine in taken:
        own = medicine.reference
        for source in () if own in doubts else sorted(medicine.stems_from & read.keys()):
            if said[own] != said[source]:
                if _follows(read[own], read[source]):
                    found.setdefault(own, []).append(None)
                else:
                    doubts[own] = _ANOTHER_DOSE
            elif Standing.TAKEN is medicine.standing.standing or standing[source] is Standing.PAST:
                found.setdefault(source, []).append(None)
            elif medicine.standing.last_day is not None:
                found.setdefault(source, []).append(medicine.standing.last_day)
    return found


def _follows(statement: Sequence[Intake], order: Sequence[Intake]) -> bool:
    """Whether a statement says on each of its days what an order of several doses says of it."""
    ordered = sorted(order, key=lambda each: each.first_day)
    told = all(not each.doubt and each.end is not End.UNDATED for each in (*statement, *order))
    apart = all(_last(before) < after.first_day for before, after in pairwise(ordered))
    return told and apart and len(order) > 1 and all(_within(each, ordered) for each in statement)


def _within(said: Intake, ordered: Sequence[Intake]) -> bool:
    day, last = said.first_day, _last(said)
    for each in ordered:
        if each.first_day > day or day > last:
            break
        if day <= _last(each):
            if (each.kind, each.dose) != (said.kind, said.dose):
                return False
            day = _last(each) + 1
    return day > last


def _last(intake: Intake) -> int:
    """The last day on which it was taken, up to today."""
    return 0 if intake.last_day is None else min(intake.last_day, 0)


def _said(intakes: Iterable[Intake]) -> set[tuple[Kind, tuple[tuple[str, Fraction], ...]]]:
    """What is taken, and how much. An unread dose is like another only within a kind."""
    return {(intake.kind, intake.dose) for intake in intakes}


def _left_of(intake: Intake, restated: Sequence[int | None]) -> Iterator[Intake]:
    """What no statement stands for."""
    if None in restated:
        return
    until = max((day for day in restated if day is not None), default=None)
    if until is None or until < intake.first_day:
        yield intake
    elif intake.last_day is None or intake.last_day > until:
        yield replace(intake, first_day=until + 1)


class _Against:
    """What a record says against the taking of its medicines."""

    def __init__(self, medicines: Iterable[Dated], reading: Reading) -> None:
        medicines = list(medicines)
        self._as_of = reading.as_of
        self._denials: dict[Kind, list[Denial]] = {}
        self._replaced: dict[str, int] = {}
        """The first day of the first order that takes the place of another."""
        for medicine in medicines:
            denial = medicine.denial(reading)
            if denial is not None:
                self._denials.setdefault(medicine.kind, []).append(denial)
            first = medicine.standing.first_day
            if medicine.taken and medicine.replaces and first is not None:
                known = self._replaced.get(medicine.replaces, first)
                self._replaced[medicine.replaces] = min(first, known)
        orders = [
            m
            for m in medicines
            if m.standing.standing is Standing.TAKEN and isinstance(m.seen, MedicationRequest)
        ]
        self._orders = StandingOrders(
            frozenset(m.reference for m in orders),
            frozenset(m.kind for m in orders),
            reading.codes.believed.order_days,
        )

    def held_against(self, medicine: Dated, intake: Intake) -> Iterator[Intake]:
        """A dose, its days that are denied as a dose of their own that is in doubt."""
        denials = self._denials.get(intake.kind)
        if not denials or intake.doubt:
            yield intake
            return
        claim = medicine.claim(intake.lines, self._as_of)
        over = intake.end is End.UNDATED
        last = intake.last_day
        if intake.reference in self._replaced:
            replaced_on = self._replaced[intake.reference]
            last = replaced_on - 1 if last is None else min(last, replaced_on - 1)
        found = [
            (denial, days)
            for denial in denials
            if denial.contradicts(claim, self._orders)
            and (days := denial.denied(intake.first_day, last, over=over))
        ]
        yield from _parted(intake, found)


def _parted(
    intake: Intake, found: Sequence[tuple[Denial, tuple[int, int | None]]]
) -> Iterator[Intake]:
    """The days before those that are denied, those, and the days after."""
    if not found:
        yield intake
        return
    begin = min(first for _, (first, _) in found)
    ends = [last for _, (_, last) in found]
    end = None if None in ends else max(last for last in ends if last is not None)
    if begin > intake.first_day:
        yield replace(intake, last_day=begin - 1, end=End.DATED)
    doubtful = replace(
        intake,
        first_day=begin,
        doubt=f"a {intake.kind} medicine stands as taken, and of it {found[0][0].why}",
        against=tuple(dict.fromkeys(denial.reference for denial, _ in found)),
    )
    if end is None or (intake.last_day is not None and end >= intake.last_day):
        yield doubtful
        return
    yield replace(doubtful, last_day=end, end=End.DATED)
    yield replace(intake, first_day=end + 1)
