"""Whether one resource says that a medicine is not taken which another says is.

An order stands until somebody ends it, and often nobody does. A statement that the medicine was
not taken, or was stopped, after the order was written contradicts it. What was said before the
order was written is history.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.currency import Currency, Standing
from crossgrain.reading.dates import read_date
from crossgrain.reading.errors import Asked
from crossgrain.reading.notes import Notes
from crossgrain.reading.record import MedicineEntry
from crossgrain.reading.views import MedicationRequest, MedicationStatement

_OUTRIGHT = {"not-taken", "stopped", "on-hold"}
"""Statuses of a statement that say no more than that it is not taken; a completed one may have
been followed by another dose."""


@dataclass(frozen=True, slots=True)
class Denial:
    """A saying that a medicine is not taken, or no longer.

    Attributes
    ----------
    path : FHIRPath of the resource
    kind : of the medicine
    why : in words
    day : of which it speaks, relative to as-of, where that is known
    outright : it is said of the medicine, whatever the dose
    lines : the dose of which it is said, as far as it can be read
    """

    path: str
    kind: Kind
    why: str
    day: int | None
    outright: bool
    lines: Sequence[DoseLine] = ()

    def contradicts(self, taken: MedicineEntry, said_on: int | None) -> bool:
        """Whether it is said of a time after the other was written; `said_on` is its latest day."""
        if self.day is not None and said_on is not None and self.day <= said_on:
            return False
        if self.outright and self.day is not None:
            return True
        return not self.lines or not taken.lines or _daily(self.lines) == _daily(taken.lines)


def _daily(lines: Sequence[DoseLine]) -> list[tuple[str, object]]:
    return [(line.preparation.id, line.daily) for line in lines]


def denial_of(
    seen: MedicationStatement | MedicationRequest,
    path: str,
    kind: Kind,
    standing: Currency,
    as_of: date,
    lines: Sequence[DoseLine] = (),
) -> Denial | None:
    """What a statement, or an order not to take it, says against the taking; else ``None``."""
    if isinstance(seen, MedicationRequest):
        if not seen.do_not_perform or seen.status != "active":
            return None
        day = (
            read_date(seen.authored_on, f"{path}.authoredOn").day(as_of)
            if seen.authored_on
            else None
        )
        return Denial(path, kind, standing.why, day, outright=True)
    adherent = standing.standing is Standing.PAST and standing.why.startswith("its adherence")
    outright = seen.status in _OUTRIGHT or adherent
    if not outright and standing.standing is not Standing.PAST:
        return None
    day = standing.last_day if standing.last_day is not None else latest_day(seen, path, as_of)
    return Denial(path, kind, standing.why, day, outright, lines)


def latest_day(seen: MedicationStatement | MedicationRequest, path: str, as_of: date) -> int | None:
    """The last day on which a resource was written or holds from, as far as it says."""
    days = [
        read_date(written, f"{path}.{name}").day(as_of)
        for name, written in _dates_of(seen)
        if written
    ]
    return max((day for day in days if day is not None), default=None)


def _dates_of(
    seen: MedicationStatement | MedicationRequest,
) -> Iterable[tuple[str, str | None]]:
    if isinstance(seen, MedicationRequest):
        starts = [d.bounds.start for d in seen.dosage_instruction if d.bounds]
        return [("authoredOn", seen.authored_on), *(("dosageInstruction", s) for s in starts)]
    period = seen.effective_period
    return [
        ("dateAsserted", seen.date_asserted),
        ("effective", seen.effective_date_time),
        ("effective.start", period.start if period else None),
    ]


def ask_about_denials(
    taken: Iterable[tuple[MedicineEntry, Kind, int | None]],
    denials: Sequence[Denial],
    notes: Notes,
) -> None:
    """Ask about each medicine taken that something written since says is not."""
    for entry, kind, said_on in taken:
        for denial in denials:
            if denial.kind is kind and denial.contradicts(entry, said_on):
                notes.ask(
                    Asked(
                        entry.path,
                        f"This {kind} medicine stands as taken, and of {denial.path}"
                        f" {denial.why}. Is it taken now?",
                    )
                )
