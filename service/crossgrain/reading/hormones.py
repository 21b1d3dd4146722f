"""Thyroid medicines found in a record, and what ties them to other resources."""

from dataclasses import dataclass, field
from fractions import Fraction

from crossgrain.dosing.preparations import Kind
from crossgrain.reading.code_tables import Believed
from crossgrain.reading.currency import Currency, Standing
from crossgrain.reading.dose_lines import Doses
from crossgrain.reading.elements import Reference
from crossgrain.reading.medication_resources import (
    Seen,
    group_of,
    reasons_of,
    replaced_by,
    sources_of,
)
from crossgrain.reading.product import Product, tablet_strength
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Span
from crossgrain.reading.resolve import Entry
from crossgrain.reading.sayings import in_all_a_day
from crossgrain.reading.series import marked_order
from crossgrain.reading.taking import Claim, Denial, StandingOrders, latest_day
from crossgrain.reading.views import MedicationRequest, MedicationStatement
from crossgrain.safety.facts import Known


@dataclass(frozen=True, slots=True)
class Hormone:
    """A thyroid medicine, with what ties it to other resources.

    Attributes
    ----------
    group : group identifier of the order
    stems_from : references to what a statement was made from
    in_all : what it says that it comes to together with the other orders of its group
    said_on : the latest day on which it was written, relative to as-of
    """

    entry: MedicineEntry
    kind: Kind
    group: tuple[str, str] | None = None
    stems_from: tuple[str, ...] = ()
    in_all: Fraction | None = None
    said_on: int | None = None

    @property
    def claim(self) -> Claim:
        """That it is taken, to be held against what says that it is not."""
        return Claim(
            self.entry.path,
            self.entry.reference,
            self.kind,
            self.entry.lines,
            self.said_on,
            self.stems_from,
            stated=self.entry.resource_type == "MedicationStatement",
        )


@dataclass(slots=True)
class Medicines:
    """What the medication resources of one record gave.

    `indications` stays ``None`` until a thyroid medicine carries a reason.
    """

    taken: list[Hormone] = field(default_factory=list)
    past: list[Hormone] = field(default_factory=list)
    drafts: list[MedicineEntry] = field(default_factory=list)
    denials: list[Denial] = field(default_factory=list)
    ahead: list[MedicineEntry] = field(default_factory=list)
    marked: list[MarkedOrder] = field(default_factory=list)
    indications: list[Known] | None = None

    def standing_orders(self, believed: Believed) -> StandingOrders:
        """The orders among what is taken."""
        orders = [h for h in self.taken if h.entry.resource_type == "MedicationRequest"]
        return StandingOrders(
            frozenset(order.entry.reference for order in orders),
            frozenset(order.kind for order in orders),
            believed.order_days,
        )

    def keep_mark(self, seen: Seen, medicine: MedicineEntry) -> None:
        """Remember what an order says of the series that it is part of."""
        marked = marked_order(seen, medicine) if isinstance(seen, MedicationRequest) else None
        if marked:
            self.marked.append(marked)


def medicine_entry(
    seen: Seen,
    entry: Entry,
    standing: Currency,
    product: Product,
    doses: Doses,
    reading: Reading,
    spans: tuple[Span, ...] = (),
) -> MedicineEntry:
    """The medicine as the record's reader sees it."""
    request = seen if isinstance(seen, MedicationRequest) else None
    first_day, last_day = _held(standing, spans)
    context = seen.context if isinstance(seen, MedicationStatement) else None
    return MedicineEntry(
        reference=entry.reference,
        resource_type=entry.kind,
        path=entry.path,
        lines=doses.lines,
        status=seen.status or "",
        draft=standing.standing is Standing.DRAFT,
        option=request is not None and request.intent == "option",
        spans=spans,
        from_text=doses.from_text,
        encounter=_written(seen.encounter or context),
        requester=_written(request.requester) if request else None,
        first_day=first_day,
        last_day=last_day,
        replaces=_written(request.prior_prescription) if request else None,
        replaced=replaced_by(seen, entry, reading),
        strength=tablet_strength(product),
    )


def _held(standing: Currency, spans: tuple[Span, ...]) -> tuple[int | None, int | None]:
    """From when until when: as it stands, for a draft by the dates of its doses."""
    if standing.standing is not Standing.DRAFT:
        return standing.first_day, standing.last_day
    firsts = [span.first_day for span in spans if span.first_day is not None]
    lasts = [span.last_day for span in spans if span.last_day is not None]
    whole = len(spans) == len(lasts)
    return min(firsts, default=None), max(lasts, default=None) if whole else None


def tied(
    seen: Seen, medicine: MedicineEntry, product: Product, entry: Entry, reading: Reading
) -> Hormone:
    """The medicine with what it says of other resources."""
    sources = tuple(source.reference for source in sources_of(seen, entry, reading))
    written = seen.dosage_instruction if isinstance(seen, MedicationRequest) else ()
    # of instructions that follow one another only those in force say what it comes to now
    in_force = {line.origin.rpartition("[")[2].rstrip("]") for line in medicine.lines}
    ordered = [dosage for number, dosage in enumerate(written) if str(number) in in_force]
    said_on = latest_day(seen, entry.path, reading.as_of)
    return Hormone(medicine, product.kind, group_of(seen), sources, in_all_a_day(ordered), said_on)


def read_reasons(seen: Seen, entry: Entry, found: Medicines, reading: Reading) -> None:
    """Why the hormone is taken, as far as its own resource says."""
    keys = reasons_of(seen, entry, reading)
    if keys is None:
        return
    found.indications = (found.indications or []) + [Known(key, entry.path) for key in keys]


def _written(reference: Reference | None) -> str | None:
    return reference.reference if reference else None
