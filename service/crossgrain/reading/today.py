"""What is taken today, ordered, stopped or denied: the medicines of a record as of one day."""

from contextlib import suppress
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import isfinite

from crossgrain.dosing.preparations import Kind
from crossgrain.names.printing import quantity
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import Believed
from crossgrain.reading.currency import Meaning
from crossgrain.reading.dose_lines import Doses, read_by_date, read_doses
from crossgrain.reading.elements import Asked
from crossgrain.reading.history import History, keep
from crossgrain.reading.instructions import times_of_day
from crossgrain.reading.medication_resources import names_source, reasons_of
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Span
from crossgrain.reading.resolve import Entry
from crossgrain.reading.sayings import in_all_a_day
from crossgrain.reading.supply import HandOver, another_dose_supplied, daily_of, supply_days
from crossgrain.reading.taking import Claim, Denial, StandingOrders
from crossgrain.reading.told import Other, Told, Unsettled, told_by
from crossgrain.reading.views import MedicationRequest
from crossgrain.safety.facts import Known


@frozen
class Hormone:
    """A thyroid medicine that is taken, with what ties it to other resources.

    Attributes
    ----------
    group : group identifier of the order
    stems_from : references to what a statement was made from
    in_all : what it says that it comes to together with the other orders of its group
    claim : that it is taken
    changes : references to the statements that an order of a series of ours takes the place of
    when : the events and clock times at which it is taken, where its dosages name them
    supply_days : how long what an order hands out lasts at most, where it says so
    sourced : it is a statement that names what it was made from, in the record or elsewhere
    days_known : its dosages tell on which days of their cycle each dose is taken
    renews : the same, as earlier orders had it
    """

    entry: MedicineEntry
    kind: Kind
    group: tuple[str, str] | None
    stems_from: tuple[str, ...]
    in_all: Fraction | None
    claim: Claim
    changes: frozenset[str] = frozenset()
    when: frozenset[str] = frozenset()
    supply_days: float | None = None
    sourced: bool = False
    days_known: bool = False
    renews: tuple[Span, ...] = ()

    @property
    def path(self) -> str:
        """FHIRPath of the resource."""
        return self.entry.path

    @property
    def is_order(self) -> bool:
        """Whether it is an order, and not a statement."""
        return self.entry.resource_type == "MedicationRequest"


@dataclass(slots=True)
class Medicines:
    """What the medication resources of one record gave.

    `indications` stays ``None`` until a thyroid medicine carries a reason. `told` are the kinds of
    which an order or a statement says that they are taken or not, and `handed` what was handed out.
    """

    taken: list[Hormone] = field(default_factory=list)
    past: list[tuple[Kind, MedicineEntry]] = field(default_factory=list)
    drafts: list[MedicineEntry] = field(default_factory=list)
    denials: list[Denial] = field(default_factory=list)
    ahead: list[MedicineEntry] = field(default_factory=list)
    marked: list[MarkedOrder] = field(default_factory=list)
    indications: list[Known] | None = None
    handed: list[HandOver] = field(default_factory=list)
    told: set[Kind] = field(default_factory=set)

    def standing_orders(self, believed: Believed) -> StandingOrders:
        """The orders among what is taken."""
        orders = [h for h in self.taken if h.entry.resource_type == "MedicationRequest"]
        return StandingOrders(
            frozenset(order.entry.reference for order in orders),
            frozenset(order.kind for order in orders),
            believed.order_days,
        )

    def keep_mark(self, told: Told, medicine: MedicineEntry) -> None:
        """Keep what an order says of the series that it is part of."""
        marked = told.mark(medicine)
        if marked:
            self.marked.append(marked)

    def keep_denial(self, told: Told, medicine: MedicineEntry) -> None:
        """Keep what it says against the taking of the same medicine."""
        denial = told.denial(medicine.lines)
        if denial is not None:
            with suppress(Asked):  # of what it was made cannot be told: then it answers for none
                denial = replace(denial, stems_from=told.sources())
            self.denials.append(denial)


def read_medicine(entry: Entry, found: Medicines, history: History, reading: Reading) -> None:
    """Read one MedicationStatement or MedicationRequest.

    A question about it is noted, and the other resources are still read.

    Raises
    ------
    Unreadable
        as `told_by`.
    """
    match told_by(entry, reading):
        case Other() as other:
            _read_other(other, entry, history, reading)
        case Unsettled() as unsettled:
            _ask_where_taken(unsettled, entry, reading)
        case Told(whether=Asked() as whether) as told:
            found.told.add(told.kind)
            reading.notes.ask(whether)
        case told:
            if told.taken or told.may_deny:
                found.told.add(told.kind)
            try:
                _read_hormone(told, found)
            except Asked as asked:
                reading.notes.ask(asked)


def _ask_where_taken(unsettled: Unsettled, entry: Entry, reading: Reading) -> None:
    """Ask what a medicine is; what is not taken now need not be settled."""
    if unsettled.whether:
        reading.notes.ask(unsettled.whether)
    if unsettled.standing.standing in (Meaning.TAKEN, Meaning.DRAFT):
        reading.notes.ask(unsettled.which, entry.path)
        return
    why = unsettled.standing.why
    reading.notes.unread(entry.path, f"which product it was cannot be told: {why}")


_COUNTED = "A medicine that bears on thyroid hormone was counted as taken. Is it?"


def _read_other(other: Other, entry: Entry, history: History, reading: Reading) -> None:
    """A medicine that is no thyroid hormone, for the safety rules.

    Whether it is taken never stands in a plan's way: where that cannot be told, a medicine that
    a rule knows counts as taken and is to be confirmed.
    """
    day, whether = None, other.whether
    if whether is not None:
        if not other.keys:
            reading.notes.unread(whether.expression, f"not counted as taken: {whether}")
            return
        reading.notes.confirm(whether.expression, f"{_COUNTED} ({whether})")
    elif other.standing is not None:
        if other.standing.standing is not Meaning.TAKEN:
            return
        day = other.standing.first_day
    keep(other.keys, entry, history.medicines, reading, day=day, modified=other.modified)


def _read_hormone(told: Told, found: Medicines) -> None:
    notes, standing, seen = told.reading.notes, told.standing, told.seen
    told.reading.budget.count_hormone(told.path)
    if standing.standing in {Meaning.NOT_TAKEN, Meaning.PAST}:
        notes.unread(told.path, f"not counted as taken: {standing.why}")
        medicine = told.unasked()
        found.keep_mark(told, medicine)
        found.keep_denial(told, medicine)
        if standing.standing is Meaning.PAST:
            found.past.append((told.kind, medicine))
            notes.use(told.path, told.reference)
        elif seen.status == "active" and (standing.first_day or 0) > 0:
            found.ahead.append(medicine)
        return
    if seen.modifier:
        raise Asked(
            f"{told.path}.modifierExtension",
            "This medicine carries a modifier that is not known, so it was not read. What is"
            " taken?",
        )
    notes.use(told.path, told.reference)
    if standing.confirm:
        notes.confirm(told.path, standing.confirm)
    if seen.note:
        notes.unread(f"{told.path}.note", "of notes only what begins as an instruction is read")
    _read_reasons(told, found)
    doses, spans = _current_doses(told)
    medicine = told.as_entry(doses, spans)
    found.keep_mark(told, medicine)
    if medicine.draft:
        found.drafts.append(medicine)
    else:
        another = another_dose_supplied(seen, told.product, () if spans else doses.lines)
        if another:
            notes.confirm(told.path, another)
        found.taken.append(_tied(told, medicine, days_known=doses.days_known))


def _read_reasons(told: Told, found: Medicines) -> None:
    """Why the hormone is taken, as far as its own resource says."""
    keys = reasons_of(told.seen, told.entry, told.reading)
    if keys is not None:
        found.indications = (found.indications or []) + [Known(key, told.path) for key in keys]


def _tied(told: Told, medicine: MedicineEntry, *, days_known: bool) -> Hormone:
    """The medicine with what it says of other resources."""
    seen, sources = told.seen, told.sources()
    written = seen.dosage_instruction if isinstance(seen, MedicationRequest) else ()
    # of instructions that follow one another only those in force say what it comes to now
    in_force = {line.origin.rpartition("[")[2].rstrip("]") for line in medicine.lines}
    ordered = [dosage for number, dosage in enumerate(written) if str(number) in in_force]
    claim = told.claim(medicine.lines, sources)
    in_all = in_all_a_day(ordered)
    when = frozenset(at for dosage in told.dosages()[0] for at in times_of_day(dosage))
    return Hormone(
        medicine, told.kind, told.group, sources, in_all, claim, told.changes(),
        when, supply_days(seen, _tablets_a_day(medicine)), names_source(seen), days_known,
    )  # fmt: skip


def _tablets_a_day(medicine: MedicineEntry) -> Fraction | None:
    """How many of its tablets are taken a day, where their strength is said."""
    if medicine.strength is None:
        return None
    return daily_of(medicine.lines) / medicine.strength


def _current_doses(told: Told) -> tuple[Doses, tuple[Span, ...]]:
    """The doses taken, or those that a draft orders by date, with what is to be confirmed noted.

    None where a question is open.
    """
    reading, product, (dosages, path) = told.reading, told.product, told.dosages()
    try:
        beside = told.beside()
        if told.standing.standing is Meaning.TAKEN:
            doses = read_doses(
                dosages, product, path, reading, dated=True, beside=beside, days_beside=True
            )
            spans = told.unasked_spans() or _today(told, doses)
        else:
            doses, spans = read_by_date(dosages, product, path, reading, beside, lengths_from=0)
    except Asked as asked:
        reading.notes.ask(asked)
        return Doses((), product.named_in_words), ()
    from_text = doses.from_text or product.named_in_words
    if doses.lines and from_text:
        shown = " and ".join(
            f"{line.preparation.generic_name} {quantity(line.daily, line.preparation.unit)} a day"
            for line in doses.lines
        )
        read = "was read from text" if doses.from_text else "was read of a medicine without a code"
        reading.notes.confirm(told.path, f"{shown} {read}. Is that what is taken?")
    return Doses(doses.lines, from_text, doses.days_known), spans


def _today(told: Told, doses: Doses) -> tuple[Span, ...]:
    """The days of today's dose alone, where what comes before or after it cannot be told."""
    runs = told.runs()
    held = [run for run in runs if run.begins <= 0 <= run.ends]
    if len(runs) <= 1 or not held or not doses.lines:
        return ()
    first, last = max(run.begins for run in held), min(run.ends for run in held)
    return (Span(_day(first), _day(last), doses.lines),)


def _day(number: float) -> int | None:
    return int(number) if isfinite(number) else None
