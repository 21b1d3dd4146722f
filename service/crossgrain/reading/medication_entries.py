"""One medication resource to a `MedicineEntry`, to another medicine, or to a question."""

from collections.abc import Sequence
from math import isfinite

from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.currency import Currency, Standing
from crossgrain.reading.dose_lines import Doses, read_by_date, read_doses
from crossgrain.reading.elements import CodeableConcept, Dosage
from crossgrain.reading.errors import Asked, Unreadable
from crossgrain.reading.history import History, keep, keys_in
from crossgrain.reading.hormones import Hormone, Medicines, medicine_entry, read_reasons, tied
from crossgrain.reading.instructions import numbered_in, runs_of
from crossgrain.reading.medication_resources import (
    Seen,
    dosages_of,
    product_named,
    sayings_beside,
    seen_in,
    standing_of,
)
from crossgrain.reading.notes import Notes
from crossgrain.reading.product import Product
from crossgrain.reading.quantities import in_unit
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import MedicineEntry, Span
from crossgrain.reading.resolve import Entry
from crossgrain.reading.taking import Denier


def read_medicine(entry: Entry, found: Medicines, history: History, reading: Reading) -> None:
    """Read one MedicationStatement or MedicationRequest.

    A question about it is noted, and the other resources are still read.

    Raises
    ------
    Unreadable
        where the resource is not of this version, not of this patient, or not FHIR.
    """
    seen = seen_in(entry, reading)
    try:
        product, concept = product_named(seen, entry, reading)
    except Asked as unsettled:
        _ask_where_taken(seen, unsettled, entry, reading)
        return
    if product is None:
        _read_other(seen, concept, entry, history, reading)
        return
    try:
        standing = standing_of(seen, entry, reading)
        _read_hormone(seen, product, entry, standing, found, reading)
    except Asked as asked:
        reading.notes.ask(asked)


def _ask_where_taken(seen: Seen, unsettled: Asked, entry: Entry, reading: Reading) -> None:
    """Ask what a medicine is; what is not taken now need not be settled."""
    try:
        standing = standing_of(seen, entry, reading)
    except Asked as asked:
        reading.notes.ask(asked)
        reading.notes.ask(unsettled)
        return
    if standing.standing in (Standing.TAKEN, Standing.DRAFT):
        reading.notes.ask(unsettled)
        return
    why = standing.why
    reading.notes.unread(entry.path, f"which product it was cannot be told: {why}")


def _read_other(
    seen: Seen,
    concept: CodeableConcept | None,
    entry: Entry,
    history: History,
    reading: Reading,
) -> None:
    """A medicine that is no thyroid hormone, for the safety rules.

    Whether it is taken never stands in a plan's way: where that cannot be told, a medicine that
    a rule knows counts as taken and is to be confirmed.
    """
    keys = keys_in(concept, reading.codes.concerns.medicines)
    day = None
    try:
        standing = standing_of(seen, entry, reading)
    except (Asked, Unreadable) as unsettled:
        if not keys and isinstance(unsettled, Unreadable):
            raise  # a resource of no interest is listed as a whole
        why = str(unsettled)
        if not keys:
            reading.notes.unread(unsettled.expression, f"not counted as taken: {why}")
            return
        reading.notes.confirm(unsettled.expression, f"{_COUNTED} ({why})")
    else:
        if standing.standing is not Standing.TAKEN:
            return
        day = standing.first_day
    keep(keys, entry, history.medicines, reading, day=day, modified=bool(seen.modifier))


_COUNTED = "A medicine that bears on thyroid hormone was counted as taken. Is it?"


def _read_hormone(
    seen: Seen,
    product: Product,
    entry: Entry,
    standing: Currency,
    found: Medicines,
    reading: Reading,
) -> None:
    notes = reading.notes
    reading.budget.count_hormone(entry.path)
    if standing.standing is Standing.NOT_TAKEN:
        notes.unread(entry.path, f"not counted as taken: {standing.why}")
        medicine = unasked_medicine(seen, product, entry, standing, reading)
        _deny(seen, product, entry, standing, found, reading, medicine.lines)
        found.keep_mark(seen, medicine)
        if seen.status == "active" and (standing.first_day or 0) > 0:
            found.ahead.append(medicine)
        return
    if standing.standing is Standing.PAST:
        notes.unread(entry.path, f"not counted as taken: {standing.why}")
        medicine = unasked_medicine(seen, product, entry, standing, reading)
        found.keep_mark(seen, medicine)
        found.past.append(Hormone(medicine, product.kind))
        _deny(seen, product, entry, standing, found, reading, medicine.lines)
        notes.use(entry.path, entry.reference)
        return
    if seen.modifier:
        raise Asked(
            f"{entry.path}.modifierExtension",
            "This medicine carries a modifier that is not known, so it was not read. What is"
            " taken?",
        )
    notes.use(entry.path, entry.reference)
    if standing.confirm:
        notes.confirm(entry.path, standing.confirm)
    if seen.note:
        notes.unread(f"{entry.path}.note", "of notes only what begins as an instruction is read")
    read_reasons(seen, entry, found, reading)
    doses, spans = _current_doses(seen, product, entry, standing, reading)
    medicine = medicine_entry(seen, entry, standing, product, doses, reading, spans)
    found.keep_mark(seen, medicine)
    if medicine.draft:
        found.drafts.append(medicine)
    else:
        found.taken.append(tied(seen, medicine, product, entry, reading))


def _deny(
    seen: Seen,
    product: Product,
    entry: Entry,
    standing: Currency,
    found: Medicines,
    reading: Reading,
    lines: Sequence[DoseLine],
) -> None:
    """Keep what it says against the taking of the same medicine."""
    denier = Denier(seen, entry.path, entry.reference, product.kind, standing, lines)
    denial = denier.denial(reading.as_of)
    if denial is not None:
        found.denials.append(denial)


def _current_doses(
    seen: Seen, product: Product, entry: Entry, standing: Currency, reading: Reading
) -> tuple[Doses, tuple[Span, ...]]:
    """The doses taken, or those that a draft orders by date, with what is to be confirmed noted.

    None where a question is open.
    """
    dosages, path = dosages_of(seen, entry)
    spans: tuple[Span, ...] = ()
    try:
        beside = sayings_beside(seen, entry, reading)
        if standing.standing is Standing.TAKEN:
            doses = read_doses(dosages, product, path, reading, dated=True, beside=beside)
            spans = _unasked_spans(seen, product, entry, reading) or _today(
                doses, dosages, path, reading
            )
        else:
            doses, spans = read_by_date(dosages, product, path, reading, beside, lengths_from=0)
    except Asked as asked:
        reading.notes.ask(asked)
        return Doses((), product.named_in_words), ()
    from_text = doses.from_text or product.named_in_words
    if doses.lines and from_text:
        shown = " and ".join(
            f"{line.preparation.name} {in_unit(line.daily, line.preparation)} a day"
            for line in doses.lines
        )
        reading.notes.confirm(entry.path, f"{shown} was read from text. Is that what is taken?")
    return Doses(doses.lines, from_text), spans


def _today(
    doses: Doses, dosages: Sequence[Dosage], path: str, reading: Reading
) -> tuple[Span, ...]:
    """The days of today's dose alone, where what comes before or after it cannot be told."""
    runs = runs_of(numbered_in(dosages, path), reading.as_of)
    held = [run for run in runs if run.begins <= 0 <= run.ends]
    if len(runs) <= 1 or not held or not doses.lines:
        return ()
    first, last = max(run.begins for run in held), min(run.ends for run in held)
    return (Span(_day(first), _day(last), doses.lines),)


def _day(number: float) -> int | None:
    return int(number) if isfinite(number) else None


def unasked_medicine(
    seen: Seen, product: Product, entry: Entry, standing: Currency, reading: Reading
) -> MedicineEntry:
    """A medicine that is not taken now; what cannot be read of its doses is not asked."""
    spans = _unasked_spans(seen, product, entry, reading)
    doses = unasked_doses(seen, product, entry, reading, spans)
    return medicine_entry(seen, entry, standing, product, doses, reading, spans)


def unasked_doses(
    seen: Seen,
    product: Product,
    entry: Entry,
    reading: Reading,
    spans: tuple[Span, ...] | None = None,
) -> Doses:
    """The doses of a medicine that is not taken now, as far as they can be read.

    Of doses that follow one another, `spans` where these were read already, it is the last that
    had begun, else the first.
    """
    spans = _unasked_spans(seen, product, entry, reading) if spans is None else spans
    if not spans:
        return _unasked(seen, product, entry, reading)
    begun = [span for span in spans if (span.first_day or 0) <= 0]
    return Doses((begun[-1] if begun else spans[0]).lines)


def _unasked(seen: Seen, product: Product, entry: Entry, reading: Reading) -> Doses:
    dosages, path = dosages_of(seen, entry)
    apart = Notes()
    try:
        doses = read_doses(dosages, product, path, reading.with_notes(apart), dated=False)
    except Asked:
        doses = Doses(())
    return Doses(()) if apart.questions or seen.modifier else doses


def _unasked_spans(
    seen: Seen, product: Product, entry: Entry, reading: Reading
) -> tuple[Span, ...]:
    """The doses of a medicine by date where several follow one another, as far as they are read."""
    dosages, path = dosages_of(seen, entry)
    if len(runs_of(numbered_in(dosages, path), reading.as_of)) <= 1:
        return ()
    apart = Notes()
    try:
        _, spans = read_by_date(dosages, product, path, reading.with_notes(apart))
    except Asked:
        return ()
    return () if apart.questions or seen.modifier else spans
