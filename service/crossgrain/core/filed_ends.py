"""Filed acts of a plan of ours that end, on a day, what was taken before it.

Such an act is carried out by whoever looks at it on its day, whatever a visit has answered since.
So an answer by which today's dose goes on puts it on hold, and a plan from today on, which ends
the medicine by an act of its own or not at all, takes its place.
"""

from collections.abc import Iterable, Iterator, Set
from dataclasses import replace
from datetime import date

from crossgrain.names.values import frozen
from crossgrain.reading.filed import ABORT, ON_HOLD, Filed, is_date
from crossgrain.reading.record import MedicineEntry, Record, Span
from crossgrain.reading.resolve import local


@frozen
class FiledEnd:
    """An act that ends a medicine of the record.

    Attributes
    ----------
    act : the Task
    entry : the order or statement that it ends
    day : the first day without it; ``None`` where the act no longer says
    """

    act: Filed
    entry: MedicineEntry
    day: date | None

    @property
    def waits_already(self) -> bool:
        """Whether an earlier answer has put it on hold."""
        return self.act.status == ON_HOLD


def filed_ends(filed: Iterable[Filed], record: Record, ours: Set[str]) -> Iterator[FiledEnd]:
    """The acts that nobody has closed, each with the medicine taken today that it ends.

    Parameters
    ----------
    ours : how the input refers to the orders of our plans, which end by their own dates
    """
    before = {
        local(entry.reference): entry for entry in record.current if entry.reference not in ours
    }
    for act in filed:
        ends = act.resource_type == "Task" and act.code == ABORT and act.stands and not act.option
        entry = before.get(local(act.focus)) if ends else None
        if entry is not None:
            days = [date.fromisoformat(day) for day in act.dates if is_date(day)]
            yield FiledEnd(act, entry, min(days, default=None))


def as_ended(record: Record, ends: Iterable[FiledEnd]) -> Record:
    """The record, with what acts that stand are to end dated so."""
    to_come = [(end.entry.reference, end.day) for end in ends if end.day and end.day > record.as_of]
    last = {
        reference: (day - record.as_of).days - 1
        for reference, day in sorted(to_come, reverse=True)  # of two acts the earlier
    }
    current = tuple(
        _cut_off(entry, last[entry.reference]) if entry.reference in last else entry
        for entry in record.current
    )
    return replace(record, current=current)


def _cut_off(entry: MedicineEntry, last: int) -> MedicineEntry:
    if entry.last_day is not None and entry.last_day <= last:
        return entry
    kept = (_until(span, last) for span in entry.spans if (span.first_day or 0) <= last)
    return replace(entry, last_day=last, spans=tuple(kept))


def _until(span: Span, last: int) -> Span:
    ended = span.last_day is not None and span.last_day <= last
    return span if ended else replace(span, last_day=last)
