"""What was taken when: thyroid medicines with their days, counted once, in doubt where denied."""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import islice, pairwise
from operator import itemgetter

from crossgrain.dosing.preparations import Kind
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import Believed
from crossgrain.reading.currency import Currency, Meaning
from crossgrain.reading.dose_lines import Doses, doses_of
from crossgrain.reading.elements import Asked
from crossgrain.reading.instructions import (
    Numbered,
    Run,
    doubtful_days,
    numbered_in,
    without_shared_days,
)
from crossgrain.reading.medication_resources import is_marked
from crossgrain.reading.reading import Notes, Reading
from crossgrain.reading.reconcile import IN_A_CIRCLE, Order, doubts_of, leading_in_circles
from crossgrain.reading.record import MarkedOrder
from crossgrain.reading.resolve import Entry
from crossgrain.reading.sayings import Saying
from crossgrain.reading.taking import Claim, Denial, Dose, StandingOrders, dose
from crossgrain.reading.told import Other, Told, Unsettled, told_by
from crossgrain.reading.views import MedicationRequest
from crossgrain.screening.course import DoseRun, End, Undecided
from crossgrain.screening.writing import KIND_WORDS

_ANOTHER_DOSE = "A statement was made from an order of another dose. Which was taken?"


@frozen
class DatedMedicine:
    """A thyroid medicine that was taken, or was not, before its doses are read.

    `stems_from` are the resources that a statement was made from, `replaces` the order whose
    place this one takes, both by their references in the record.
    `open_question` is why it, or its days, cannot be told, or empty.
    """

    told: Told
    stems_from: frozenset[str]
    replaces: str | None
    open_question: str

    @property
    def kind(self) -> Kind:
        """The kind of preparation."""
        return self.told.kind

    @property
    def reference(self) -> str:
        """How the record names it."""
        return self.told.reference

    @property
    def standing(self) -> Currency:
        """Whether it is or was taken, and since when."""
        return self.told.standing

    @property
    def taken(self) -> bool:
        """Whether it says that it is, or was, taken."""
        return self.told.taken

    def marked(self) -> MarkedOrder | None:
        """What an order says of the series that it is part of, taken or not."""
        if not is_marked(self.told.seen, self.told.reading.codes.combining):
            return None
        try:
            return self.told.mark(self.told.unasked())
        except Asked:
            return None


def dated_medicine(entry: Entry, reading: Reading) -> DatedMedicine | None:
    """A thyroid medicine: taken, marked as a step of a series, or said not to be taken.

    ``None`` for any other resource, and for an order that nobody signed or that was no order.

    Raises
    ------
    Unreadable
        as `told_by`.
    Undecided
        where it cannot be told whether it is thyroid hormone.
    """
    match told_by(entry, reading):
        case Other():
            return None
        case Unsettled() as unsettled:
            if unsettled.standing.standing in {Meaning.DRAFT, Meaning.NOT_TAKEN}:
                return None
            raise Undecided(unsettled.which.question, (entry.reference,))
        case told:
            return _dated(told)


def _dated(told: Told) -> DatedMedicine | None:
    if not (told.taken or told.may_deny or _is_step(told)):
        return None
    told.reading.budget.count_hormone(told.path)
    open_question = told.whether.question if told.whether else ""
    stems_from: tuple[str, ...] = ()
    replaces = None
    try:
        stems_from, replaces = told.sources(), told.replaces()
    except Asked as asked:
        open_question = open_question or asked.question
    return DatedMedicine(told, frozenset(stems_from), replaces, open_question)


def _is_step(told: Told) -> bool:
    """Whether an order that is not taken says of what series it is; its dose is not read here."""
    if not is_marked(told.seen, told.reading.codes.combining):
        return False
    try:
        told.replaces()
    except Asked:
        return False
    return True


def _intakes_of(medicine: DatedMedicine) -> Iterator[DoseRun]:
    """The doses of one resource, each with its days.

    Dosages with bounds of their own follow one another (a climb in one order); the rest hold
    as long as the resource does. On days on which dosages overlap, or that they leave between
    them, what was taken is in doubt.

    Raises
    ------
    Undecided
        where it is not said since when the medicine was taken.
    """
    told = medicine.told
    dosages, path = told.dosages()
    numbered = numbered_in(dosages, path)
    runs = without_shared_days(told.runs())
    if len(runs) <= 1:
        runs = [Run(None, None, tuple(numbered))]
    beside = told.beside()
    for run in runs:
        days = _days(run, medicine.standing)
        if days[0] is None:
            raise Undecided(
                f"it is not said since when {KIND_WORDS[medicine.kind]} was taken",
                (medicine.reference,),
            )
        if days[0] <= 0:
            yield _intake(medicine, days[0], days[1], run.numbered, beside)
    for (first, last), doubt in doubtful_days(runs, path):
        begins = first if first is not None else medicine.standing.first_day or 0
        if begins <= 0:
            yield _taken_on(medicine, begins, last, doubt=doubt)


def _intake(
    medicine: DatedMedicine,
    first: int,
    last: int | None,
    numbered: Sequence[Numbered],
    beside: Sequence[Saying],
) -> DoseRun:
    told, apart, doubt = medicine.told, Notes(), ""
    _, path = told.dosages()
    try:
        doses = doses_of(numbered, told.product, path, told.reading.with_notes(apart), beside)
    except Asked as asked:
        doses, doubt = None, asked.question
    if told.seen.modifier:
        doubt = "A thyroid medicine carries a modifier that is not known."
    for question in apart.questions:
        doubt = doubt or question.question
    if not (doses and doses.lines):
        doubt = doubt or "No dose of a thyroid medicine is given."
    return _taken_on(medicine, first, last, doses, doubt)


def _taken_on(
    medicine: DatedMedicine,
    first: int,
    last: int | None,
    doses: Doses | None = None,
    doubt: str = "",
) -> DoseRun:
    group = medicine.told.group
    past = medicine.standing.standing is Meaning.PAST
    return DoseRun(
        kind=medicine.kind,
        lines=doses.lines if doses and not doubt else (),
        first_day=first,
        last_day=last,
        end=End.DATED if last is not None else End.UNDATED if past else End.OPEN,
        reference=medicine.reference,
        group="|".join(group) if group else medicine.reference,
        replaces=medicine.told.changes() | ({medicine.replaces} if medicine.replaces else set()),
        from_text=bool(doses and doses.from_text),
        doubt=doubt,
    )


def _days(run: Run, own: Currency) -> tuple[int | None, int | None]:
    """From when until when: the dosages' own bounds, else those of their resource.

    Of an order that was given up on a day that is not told, the dose of today ended some time.
    """
    first = own.first_day if run.first_day is None else run.first_day
    last = own.last_day if run.last_day is None else run.last_day
    given_up = own.standing is Meaning.PAST and own.last_day is None
    return first, None if given_up and last is not None and last >= 0 else last


def counted_once(medicines: Sequence[DatedMedicine], believed: Believed) -> Iterator[DoseRun]:
    """The doses, without the orders that a statement of the same dose was made from.

    Where the doses differ, who stands for whom goes round in a circle or against the dates, or
    another resource says that it was not taken, what was taken is in doubt. A statement made from
    an order that says so of all of its days is no doubt but the answer.
    """
    never = _never_taken(medicines)
    taken = [m for m in medicines if m.taken and m.reference not in never]
    read = {m.reference: list(_intakes_of(m)) for m in taken}
    doubts = _doubts(taken)
    restated = _restated(taken, read, doubts)
    against = _Against(medicines, believed.order_days)
    for medicine in taken:
        own = medicine.reference
        doubt = doubts.get(own, "")
        for intake in read[own]:
            said = replace(intake, doubt=doubt) if doubt else intake
            for piece in against.held_against(medicine, said):
                yield from _left_of(piece, restated.get(own, ()))


def _never_taken(medicines: Sequence[DatedMedicine]) -> set[str]:
    """The orders of which a statement made from them says that none of it was ever taken."""
    orders = {m.reference: m for m in medicines if isinstance(m.told.seen, MedicationRequest)}
    found: set[str] = set()
    for medicine in medicines:
        named = medicine.stems_from & orders.keys()
        denial = _denial(medicine.told) if named else None
        if denial is not None:
            found |= {name for name in named if _denies_all(denial, orders[name])}
    return found


def _denies_all(denial: Denial, order: DatedMedicine) -> bool:
    begun, (since, _) = order.standing.first_day, denial.days or (None, None)
    all_days = since is not None and begun is not None and since <= begun
    written = order.told.claim((), ()).said_on
    known_then = denial.day is not None and written is not None and written <= denial.day
    return denial.speaks_of_today and all_days and known_then and denial.kind is order.kind


def _doubts(taken: Sequence[DatedMedicine]) -> dict[str, str]:
    """Why what a resource says of another cannot be relied on, by its reference."""
    circles = leading_in_circles({m.reference: m.stems_from for m in taken})
    orders = {m.reference: Order(m.replaces, m.standing.first_day) for m in taken}
    return {**dict.fromkeys(circles, IN_A_CIRCLE), **doubts_of(orders)}


def _restated(
    taken: Sequence[DatedMedicine], read: Mapping[str, list[DoseRun]], doubts: dict[str, str]
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
            elif Meaning.TAKEN is medicine.standing.standing or standing[source] is Meaning.PAST:
                found.setdefault(source, []).append(None)
            elif medicine.standing.last_day is not None:
                found.setdefault(source, []).append(medicine.standing.last_day)
    return found


def _follows(statement: Sequence[DoseRun], order: Sequence[DoseRun]) -> bool:
    """Whether a statement says on each of its days what an order of several doses says of it."""
    ordered = sorted(order, key=lambda each: each.first_day)
    told = all(not each.doubt and each.end is not End.UNDATED for each in (*statement, *order))
    apart = all(_last(before) < after.first_day for before, after in pairwise(ordered))
    return told and apart and len(order) > 1 and all(_within(each, ordered) for each in statement)


def _within(said: DoseRun, ordered: Sequence[DoseRun]) -> bool:
    day, last = said.first_day, _last(said)
    for each in ordered:
        if each.first_day > day or day > last:
            break
        if day <= _last(each):
            if (each.kind, each.dose) != (said.kind, said.dose):
                return False
            day = _last(each) + 1
    return day > last


def _last(intake: DoseRun) -> int:
    """The last day on which it was taken, up to today."""
    return 0 if intake.last_day is None else min(intake.last_day, 0)


def _said(intakes: Iterable[DoseRun]) -> set[tuple[Kind, tuple[tuple[str, Fraction], ...]]]:
    """What is taken, and how much. An unread dose is like another only within a kind."""
    return {(intake.kind, intake.dose) for intake in intakes}


def _left_of(intake: DoseRun, restated: Sequence[int | None]) -> Iterator[DoseRun]:
    """What no statement stands for."""
    if None in restated:
        return
    until = max((day for day in restated if day is not None), default=None)
    if until is None or until < intake.first_day:
        yield intake
    elif intake.last_day is None or intake.last_day > until:
        yield replace(intake, first_day=until + 1)


class _Stops:
    """What says that a medicine came to an end on a known day: found by that day and the dose."""

    def __init__(self, denials: Iterable[Denial]) -> None:
        self._of: dict[tuple[Kind, Dose | None], list[tuple[int, str, Denial]]] = {}
        for denial in denials:
            key = denial.kind, None if denial.outright or not denial.lines else dose(denial.lines)
            if denial.day is not None:
                self._of.setdefault(key, []).append((denial.day, denial.reference, denial))
        for found in self._of.values():
            found.sort(key=itemgetter(0, 1))

    def first(self, claim: Claim, last: int | None) -> Iterator[Denial]:
        """The earliest within a dose's days, for any dose and for its own: more say no more."""
        said_on = claim.said_on
        for key in (claim.kind, None), (claim.kind, dose(claim.lines)):
            found = self._of.get(key, [])
            place = 0 if said_on is None else bisect_right(found, said_on, key=itemgetter(0))
            for day, reference, denial in islice(found, place, place + 2):
                if reference != claim.reference and (last is None or day < last):
                    yield denial


class _Against:
    """What a record says against the taking of its medicines."""

    def __init__(self, medicines: Sequence[DatedMedicine], order_days: int) -> None:
        denials = [denial for m in medicines if (denial := _denial(m.told))]
        self._stops = _Stops(denial for denial in denials if _is_stop(denial))
        self._others: dict[Kind, list[Denial]] = {}
        for denial in denials:
            if not _is_stop(denial):
                self._others.setdefault(denial.kind, []).append(denial)
        self._replaced: dict[str, int] = {}
        """The first day of the first order that takes the place of another."""
        for medicine in medicines:
            first = medicine.standing.first_day
            if medicine.taken and medicine.replaces and first is not None:
                known = self._replaced.get(medicine.replaces, first)
                self._replaced[medicine.replaces] = min(first, known)
        orders = [
            m
            for m in medicines
            if m.standing.standing is Meaning.TAKEN and isinstance(m.told.seen, MedicationRequest)
        ]
        self._orders = StandingOrders(
            frozenset(m.reference for m in orders), frozenset(m.kind for m in orders), order_days
        )

    def held_against(self, medicine: DatedMedicine, intake: DoseRun) -> Iterator[DoseRun]:
        """A dose, its days that are denied as a dose of their own that is in doubt."""
        if intake.doubt:
            yield intake
            return
        claim = medicine.told.claim(intake.lines, medicine.stems_from)
        last = intake.last_day
        if intake.reference in self._replaced:
            replaced_on = self._replaced[intake.reference]
            last = replaced_on - 1 if last is None else min(last, replaced_on - 1)
        over = intake.end is End.UNDATED
        found = [
            (denial, days)
            for denial in (*self._stops.first(claim, last), *self._others.get(intake.kind, ()))
            if denial.contradicts(claim, self._orders)
            and (days := denial.denied(intake.first_day, last, over=over))
        ]
        yield from _parted(intake, found)


def _denial(told: Told) -> Denial | None:
    """What it says against the taking; its dose is read only where it says something."""
    return told.denial(told.unasked_lines()) if told.denial(()) else None


def _is_stop(denial: Denial) -> bool:
    """Whether it denies every day after one that is known, whoever says that it was taken."""
    return denial.day is not None and not denial.never and not denial.order


def _parted(
    intake: DoseRun, found: Sequence[tuple[Denial, tuple[int, int | None]]]
) -> Iterator[DoseRun]:
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
        doubt=f"a {intake.kind} medicine stands as taken, but another resource speaks against it:"
        f" {found[0][0].why}",
        against=tuple(dict.fromkeys(denial.reference for denial, _ in found)),
    )
    if end is None or (intake.last_day is not None and end >= intake.last_day):
        yield doubtful
        return
    yield replace(doubtful, last_day=end, end=End.DATED)
    yield replace(intake, first_day=end + 1)
