"""What one medication resource says, before asking what that means today or over time.

Both uses of a record, what is taken now (`today`) and what was taken when (`over_time`), begin
here, so that neither passes over what the other asks about.
"""

from collections.abc import Collection, Sequence

from msgspec.structs import replace

from crossgrain.dosing.preparations import Kind
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.values import frozen
from crossgrain.reading.currency import Currency, Meaning
from crossgrain.reading.dose_lines import Doses, read_by_date, read_doses
from crossgrain.reading.elements import Asked, Asks, CodeableConcept, Dosage, Reference, Unreadable
from crossgrain.reading.history import keys_in
from crossgrain.reading.instructions import Run, numbered_in, runs_of
from crossgrain.reading.medication_resources import (
    Seen,
    dosages_of,
    group_of,
    hypothyroidism_said,
    names_of,
    product_named,
    replaced_by,
    sayings_beside,
    seen_in,
    sources_of,
    standing_of,
    statements_changed,
)
from crossgrain.reading.medications import named_in
from crossgrain.reading.product import Product, tablet_strength
from crossgrain.reading.reading import Notes, Reading
from crossgrain.reading.record import MarkedOrder, MedicineEntry, Span
from crossgrain.reading.resolve import Entry, refuse_times_above
from crossgrain.reading.sayings import Saying
from crossgrain.reading.series import marked_order
from crossgrain.reading.taking import Claim, Denial, Denier, latest_day, may_deny
from crossgrain.reading.views import MedicationRequest, MedicationStatement


@frozen
class Other:
    """A medicine that is no thyroid hormone.

    Attributes
    ----------
    keys : what the safety rules know it by
    standing : whether it is taken; ``None`` where `whether` says why that cannot be told
    modified : it carries a modifier that is not known
    """

    keys: tuple[str, ...]
    standing: Currency | None
    whether: Asked | Unreadable | None
    modified: bool


@frozen
class Unsettled:
    """A medicine of which it cannot be told whether it is hormone, or which product it is.

    `standing` counts it as taken where `whether` says why that cannot be told.
    """

    which: Asked
    standing: Currency
    whether: Asked | None


@frozen
class Told:
    """A thyroid medicine, as one resource tells of it; its doses are read when they are asked for.

    `standing` counts it as taken where `whether` says why that cannot be told; `names` are what
    it is called.
    """

    entry: Entry
    seen: Seen
    product: Product
    names: tuple[str, ...]
    standing: Currency
    whether: Asked | None
    reading: Reading

    @property
    def kind(self) -> Kind:
        """The kind of preparation."""
        return self.product.kind

    @property
    def reference(self) -> str:
        """How the record names it."""
        return self.entry.reference

    @property
    def path(self) -> str:
        """FHIRPath of the resource."""
        return self.entry.path

    @property
    def group(self) -> tuple[str, str] | None:
        """Group identifier of an order."""
        return group_of(self.seen, self.reading.codes.combining)

    @property
    def taken(self) -> bool:
        """Whether it says that it is, or was, taken."""
        return self.standing.standing in {Meaning.TAKEN, Meaning.PAST}

    @property
    def says_so(self) -> bool:
        """Where it was not taken: whether it says so, and is no mere slip or draft."""
        return may_deny(self.seen) and self.seen.status != "entered-in-error"

    @property
    def may_deny(self) -> bool:
        """Whether it may say of its medicine that it is not taken."""
        return may_deny(self.seen)

    def sources(self) -> tuple[str, ...]:
        """References to what a statement was made from; `Asked` where that cannot be told."""
        return tuple(each.reference for each in sources_of(self.seen, self.entry, self.reading))

    def replaces(self) -> str | None:
        """The order whose place it takes; `Asked` where that cannot be told."""
        return replaced_by(self.seen, self.entry, self.reading)

    def changes(self) -> frozenset[str]:
        """The statements that it takes the place of, being an order of a series of ours."""
        return statements_changed(self.seen, self.entry, self.reading)

    def claim(self, lines: Sequence[DoseLine], sources: Collection[str]) -> Claim:
        """That it is or was taken, to be held against what says that it is not."""
        return Claim(
            self.path,
            self.reference,
            self.kind,
            lines,
            latest_day(self.seen, self.path, self.reading.calendar),
            sources,
            stated=isinstance(self.seen, MedicationStatement),
        )

    def denial(self, lines: Sequence[DoseLine]) -> Denial | None:
        """What it says against the taking of the same medicine."""
        denier = Denier(self.seen, self.path, self.reference, self.kind, self.standing, lines)
        return denier.denial(self.reading.calendar)

    def dosages(self) -> tuple[tuple[Dosage, ...], str]:
        """Its dosages, and the FHIRPath of their list."""
        return dosages_of(self.seen, self.entry)

    def runs(self) -> list[Run]:
        """Its dosages by the days on which they hold."""
        return runs_of(numbered_in(*self.dosages()), self.reading.calendar)

    def beside(self) -> list[Saying]:
        """What it says of its taking outside its dosages."""
        return sayings_beside(self.seen, self.names, self.entry, self.reading)

    def as_entry(self, doses: Doses, spans: tuple[Span, ...]) -> MedicineEntry:
        """The medicine with its doses, as a record holds it."""
        seen, entry = self.seen, self.entry
        request = seen if isinstance(seen, MedicationRequest) else None
        context = seen.context if isinstance(seen, MedicationStatement) else None
        first_day, last_day = _held(self.standing, spans)
        return MedicineEntry(
            reference=entry.reference,
            resource_type=entry.kind,
            path=entry.path,
            lines=doses.lines,
            status=seen.status or "",
            draft=self.standing.standing is Meaning.DRAFT,
            option=request is not None and request.intent == "option",
            spans=spans,
            from_text=doses.from_text,
            encounter=_written(seen.encounter or context),
            requester=_written(request.requester) if request else None,
            reasons=hypothyroidism_said(seen, self.reading),
            first_day=first_day,
            last_day=last_day,
            replaces=_written(request.prior_prescription) if request else None,
            replaced=self.replaces(),
            strength=tablet_strength(self.product),
        )

    def unasked(self) -> MedicineEntry:
        """The same where it is not taken now; what cannot be read of its doses is not asked."""
        spans = self.unasked_spans()
        return self.as_entry(self._unasked_doses(spans), spans)

    def unasked_lines(self) -> Sequence[DoseLine]:
        """Its dose as far as it can be read."""
        return self._unasked_doses(self.unasked_spans()).lines

    def unasked_spans(self) -> tuple[Span, ...]:
        """Its doses by date where several follow one another, as far as they can be read."""
        if len(self.runs()) <= 1:
            return ()
        dosages, path = self.dosages()
        apart = Notes()
        try:
            _, spans = read_by_date(dosages, self.product, path, self.reading.with_notes(apart))
        except Asked:
            return ()
        return () if apart.questions or self.seen.modifier else spans

    def _unasked_doses(self, spans: tuple[Span, ...]) -> Doses:
        """Of doses that follow one another the last that had begun, else the first."""
        if spans:
            begun = [span for span in spans if (span.first_day or 0) <= 0]
            return Doses((begun[-1] if begun else spans[0]).lines)
        dosages, path = self.dosages()
        apart = Notes()
        try:
            reading = self.reading.with_notes(apart)
            doses = read_doses(dosages, self.product, path, reading, dated=False)
        except Asked:
            doses = Doses(())
        return Doses(()) if apart.questions or self.seen.modifier else doses

    def mark(self, medicine: MedicineEntry) -> MarkedOrder | None:
        """What an order says of the series that it is part of."""
        seen = self.seen
        if not isinstance(seen, MedicationRequest):
            return None
        return marked_order(seen, medicine, self.reading.codes.combining)


def told_by(entry: Entry, reading: Reading) -> Told | Other | Unsettled:
    """What a MedicationStatement or a MedicationRequest tells.

    Raises
    ------
    Unreadable
        where the resource is not of this version, not of this patient, or not FHIR; of another
        medicine only where no rule knows it.
    """
    seen = seen_in(entry, reading)
    try:
        product, concept = _meant(seen, entry, reading)
    except Asked as which:
        standing, whether = _standing(seen, entry, reading)
        asked = Asked(which.expression, which.question, Asks.MEDICINE)
        return Unsettled(asked, standing, whether)
    if product is not None:
        repeats = (dosage.repeat for dosage in dosages_of(seen, entry)[0])
        times = sum(len(each.when) + len(each.time_of_day) for each in repeats if each)
        refuse_times_above(times, entry.path)
        standing, whether = _standing(seen, entry, reading)
        own = reading.in_language(seen.language)
        return Told(entry, seen, product, names_of(seen, concept), standing, whether, own)
    keys, modified = keys_in(concept, reading.codes.concerns.medicines), bool(seen.modifier)
    try:
        return Other(keys, standing_of(seen, entry, reading), None, modified)
    except Asked as asked:
        return Other(keys, None, asked, modified)
    except Unreadable as fault:
        if not keys:
            raise  # a resource of no interest is listed as a whole
        return Other(keys, None, fault, modified)


def _meant(
    seen: Seen, entry: Entry, reading: Reading
) -> tuple[Product | None, CodeableConcept | None]:
    """The product that a medicine names, or the one that the caller says it is."""
    if entry.path not in reading.notes.settled.meant:
        return product_named(seen, entry, reading)
    preparation = reading.notes.settled.meant[entry.path]
    if preparation is None:
        return None, named_in(seen)[0]
    try:
        named, concept = product_named(seen, entry, reading)
    except Asked:
        named, concept = None, named_in(seen)[0]
    if named is None or named.kind is not preparation.kind or named.strength is not None:
        known = named is not None and named.preparation == preparation
        return (named if known else Product(preparation.kind, preparation)), concept
    return replace(named, preparation=preparation), concept


def _standing(seen: Seen, entry: Entry, reading: Reading) -> tuple[Currency, Asked | None]:
    try:
        return standing_of(seen, entry, reading), None
    except Asked as whether:
        return Currency(Meaning.TAKEN), whether


def _held(standing: Currency, spans: tuple[Span, ...]) -> tuple[int | None, int | None]:
    """From when until when: as it stands, for a draft by the dates of its doses."""
    if standing.standing is not Meaning.DRAFT:
        return standing.first_day, standing.last_day
    firsts = [span.first_day for span in spans if span.first_day is not None]
    lasts = [span.last_day for span in spans if span.last_day is not None]
    whole = len(spans) == len(lasts)
    return min(firsts, default=None), max(lasts, default=None) if whole else None


def _written(reference: Reference | None) -> str | None:
    return reference.reference if reference else None
