"""Whether one resource says a medicine is not taken while another says it is.

An order stands until somebody ends it, and often nobody does. A statement that the medicine was
not taken, or was stopped, after the order was written contradicts it. What was said before the
order was written is history. The other way about, a statement that a medicine is taken rests on
an order: where that was stopped or withdrawn, and no other stands, one of the two is out of date.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.values import frozen
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.currency import (
    ORDERS,
    Currency,
    Meaning,
    adherence_of,
    is_given_up,
)
from crossgrain.reading.elements import Asked, Asks
from crossgrain.reading.reading import Notes
from crossgrain.reading.views import MedicationRequest, MedicationStatement

_OUTRIGHT = {"not-taken", "stopped", "on-hold"}
"""Statuses of a statement that say no more than that it is not taken; a completed one may have
been followed by another dose."""
_GIVEN_UP = {"stopped", "on-hold", "cancelled", "entered-in-error"}
"""Statuses of an order that leave a statement made from it without ground. One that is completed,
or has ended, does not: what it ordered was taken."""
_NEVER_MEANT = {"cancelled", "entered-in-error"}
Days = tuple[int | None, int | None]
"""First and last day, both included, relative to as-of; ``None`` where it is open."""


@frozen
class Claim:
    """A saying that a medicine is, or was, taken.

    Attributes
    ----------
    path, reference : of the resource, as FHIRPath and as the record names it
    kind, lines : of the medicine, and its dose as far as it can be read
    said_on : the latest day on which it was written, relative to as-of
    stems_from : references to what a statement was made from
    stated : it is a statement, not an order
    """

    path: str
    reference: str
    kind: Kind
    lines: Sequence[DoseLine]
    said_on: int | None
    stems_from: Collection[str] = ()
    stated: bool = False


@frozen
class StandingOrders:
    """The orders that stand: their references, and of which kinds of medicine they are.

    `order_days` is how long an order without an end is believed.
    """

    references: frozenset[str]
    kinds: frozenset[Kind]
    order_days: int


@frozen
class Denial:
    """A saying that a medicine is not taken, or no longer.

    Attributes
    ----------
    path, reference : of the resource, as FHIRPath and as the record names it
    kind : of the medicine
    why : in words
    day : up to which it is known to speak, relative to as-of
    outright : it is said of the medicine, whatever the dose
    lines : the dose of which it is said, as far as it can be read
    since : a day from which on it speaks at the earliest
    days : the days that it denies; ``None`` where which they are is not said
    never : it says that nothing was taken on those days; else that it was, and came to an end
    order : the status of an order that was given up, else empty
    stems_from : references to what a statement was made from
    """

    path: str
    reference: str
    kind: Kind
    why: str
    day: int | None
    outright: bool
    lines: Sequence[DoseLine] = ()
    since: int | None = None
    days: Days | None = None
    never: bool = False
    order: str = ""
    stems_from: Collection[str] = ()

    @property
    def speaks_of_today(self) -> bool:
        """Whether it says outright that nothing is taken, of days that today is one of."""
        first, last = self.days or (None, None)
        begun, over = first is None or first <= 0, last is not None and last < 0
        return self.outright and self.never and begun and not over

    def contradicts(self, claim: Claim, standing: "StandingOrders") -> bool:
        """Whether it is said of a time after the other was written."""
        said_on = claim.said_on
        if claim.reference == self.reference or self._is_before(said_on):
            return False
        if self.order:
            return self._leaves_without_ground(claim, standing)
        later = self.since is not None and (said_on is None or self.since > said_on)
        if self.outright and (self.day is not None or later):
            return True
        return self._may_be_of(claim)

    def _is_before(self, said_on: int | None) -> bool:
        return self.day is not None and said_on is not None and self.day <= said_on

    def _may_be_of(self, claim: Claim) -> bool:
        return not self.lines or not claim.lines or dose(self.lines) == dose(claim.lines)

    def _leaves_without_ground(self, claim: Claim, standing: "StandingOrders") -> bool:
        """Of an order that was given up: whether a statement rests on it, or may.

        One that the statement does not name counts for its dose alone, where no other order of
        the medicine stands, and no longer than an order lasts.
        """
        if not claim.stated or not standing.references.isdisjoint(claim.stems_from):
            return False
        if self.reference in claim.stems_from:
            return True
        if self.order == "entered-in-error" or self.kind in standing.kinds:
            return False
        long_ago = (
            self.since is not None
            and claim.said_on is not None
            and claim.said_on - self.since > standing.order_days
        )
        return not long_ago and self._may_be_of(claim)

    def denied(self, first: int, last: int | None, *, over: bool) -> tuple[int, int | None] | None:
        """First and last of the days of a dose that it denies; ``None`` for none of them.

        Parameters
        ----------
        first, last : of the dose, relative to as-of; no last day while it is taken
        over : the dose came to an end, and nobody wrote down when
        """
        if not self.never and (over or self._is_over_by_then(last)):
            return None
        if self.never and self.days is None and self.day is not None:  # since when is not said
            runs_on = not over and first <= self.day and (last is None or self.day < last)
            return (first, last) if runs_on else None
        since, until = self.days or (None, None)
        begin = first if since is None else max(first, since)
        ends = [day for day in (last, until) if day is not None]
        end = min(ends, default=None)
        return None if end is not None and end < begin else (begin, end)

    def _is_over_by_then(self, last: int | None) -> bool:
        """Whether a dose had ended by the day on which it is said to have, or by today."""
        return last is not None and last <= (0 if self.day is None else self.day)


Dose = tuple[tuple[str, Fraction], ...]


def dose(lines: Sequence[DoseLine]) -> Dose:
    """Equal for two resources of one dose, their lines in one order."""
    return tuple((line.preparation.id, line.daily) for line in lines)


def may_deny(seen: MedicationStatement | MedicationRequest) -> bool:
    """Whether a resource may say of its medicine that it is not taken."""
    if isinstance(seen, MedicationRequest):
        return bool(seen.do_not_perform) or seen.status in _GIVEN_UP
    return seen.status in _OUTRIGHT or is_given_up(adherence_of(seen))


@frozen
class Denier:
    """A resource that may deny, with what was read of it already; `lines` as in `Denial`."""

    seen: MedicationStatement | MedicationRequest
    path: str
    reference: str
    kind: Kind
    standing: Currency
    lines: Sequence[DoseLine] = ()

    def denial(self, calendar: Calendar) -> Denial | None:
        """What it says against the taking; ``None`` where it says nothing."""
        if isinstance(self.seen, MedicationStatement):
            return self._of_statement(self.seen, calendar)
        return self._of_order(self.seen, calendar)

    def _of_order(self, order: MedicationRequest, calendar: Calendar) -> Denial | None:
        status = order.status or ""
        written = latest_day(order, self.path, calendar)
        if order.do_not_perform:
            day = _day(order.authored_on, f"{self.path}.authoredOn", calendar)
            said = replace(self._denial(day, day, (day, None)), lines=())
            return said if status == "active" else None
        if status not in _GIVEN_UP or order.intent not in ORDERS:
            return None
        ended = _day(order.status_changed, f"{self.path}.statusChanged", calendar)
        ended = self.standing.last_day if ended is None else ended
        since = written if ended is None else ended + 1
        never = status in _NEVER_MEANT
        return replace(self._denial(ended, written, (since, None)), order=status, never=never)

    def _of_statement(self, said: MedicationStatement, calendar: Calendar) -> Denial | None:
        outright = may_deny(said)
        if not outright and self.standing.standing is not Meaning.PAST:
            return None
        asserted = _day(said.date_asserted, f"{self.path}.dateAsserted", calendar)
        first, last = self.standing.first_day, self.standing.last_day
        if said.status == "not-taken" or adherence_of(said) == "not-taking":
            denial = self._never(said, first, last, asserted)
        else:
            since = first if last is None else last
            days = None if since is None else (since + 1, None)
            denial = self._denial(asserted if last is None else last, first, days)
        return replace(denial, outright=outright)

    def _never(
        self, said: MedicationStatement, first: int | None, last: int | None, asserted: int | None
    ) -> Denial:
        """Not taken: over the days that it names, or as of the day on which that was said."""
        if said.held is None:
            day = max((d for d in (asserted, first) if d is not None), default=None)
            return replace(self._denial(day, first, None), never=True, lines=())
        day = asserted if last is None else last
        return replace(self._denial(day, first, (first, last)), never=True, lines=())

    def _denial(self, day: int | None, since: int | None, days: Days | None) -> Denial:
        why = self.standing.why
        return Denial(
            self.path, self.reference, self.kind, why, day, outright=True, lines=self.lines,
            since=since, days=days,
        )  # fmt: skip


def latest_day(
    seen: MedicationStatement | MedicationRequest, path: str, calendar: Calendar
) -> int | None:
    """The last day on which a resource was written or begins, as far as it says."""
    days = (_day(written, f"{path}.{name}", calendar) for name, written in _dates_of(seen))
    return max((day for day in days if day is not None), default=None)


def _day(written: str | None, expression: str, calendar: Calendar) -> int | None:
    """Not brought back to the day of reading: of two resources the later word counts."""
    return calendar.date_in(written, expression).day(calendar.as_of) if written else None


def _dates_of(
    seen: MedicationStatement | MedicationRequest,
) -> Iterator[tuple[str, str | None]]:
    if isinstance(seen, MedicationRequest):
        yield "authoredOn", seen.authored_on
        starts = [d.bounds.start for d in seen.dosages if d.bounds and d.bounds.start]
        yield "dosageInstruction", min(starts, default=None)  # its later steps are no later word
        period = seen.effective_dose_period
        yield "effectiveDosePeriod.start", period.start if period else None
        return
    yield "dateAsserted", seen.date_asserted
    yield "effective", seen.effective_date_time
    yield "effective.start", seen.held.start if seen.held else None


def ask_about_denials(
    claims: Iterable[Claim], denials: Sequence[Denial], standing: StandingOrders, notes: Notes
) -> None:
    """Ask about each medicine taken that something written since says is not."""
    of_kind: dict[Kind, list[Denial]] = {}
    for denial in denials:
        of_kind.setdefault(denial.kind, []).append(denial)
    for claim in claims:
        for denial in of_kind.get(claim.kind, ()):
            if denial.contradicts(claim, standing):
                notes.ask(
                    Asked(
                        claim.path,
                        f"This {claim.kind} medicine stands as taken, but {denial.path} speaks"
                        f" against it: {denial.why}. Is it taken now?",
                        Asks.TAKEN,
                    )
                )
