"""One medication resource to a `MedicineEntry`, to another medicine, or to a question."""

from dataclasses import dataclass, field

from crossgrain.dosing.preparations import Kind
from crossgrain.fhir.identity import PLAN_SYSTEM
from crossgrain.fhir.read.currency import (
    Currency,
    Standing,
    request_standing,
    statement_standing,
)
from crossgrain.fhir.read.dose_lines import Doses, read_doses
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.history import History, keep, keys_in
from crossgrain.fhir.read.medicines import Product, product_of
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.person import check_subject
from crossgrain.fhir.read.products import medication_of, named_in, product_in
from crossgrain.fhir.read.quantities import plain
from crossgrain.fhir.read.reading import Reading
from crossgrain.fhir.read.record import MedicineEntry
from crossgrain.fhir.read.resolve import Entry
from crossgrain.fhir.read.shapes import check_version
from crossgrain.fhir.read.views import (
    CodeableConcept,
    Dosage,
    MedicationRequest,
    MedicationStatement,
    Reference,
    view,
)
from crossgrain.safety.facts import Known

Seen = MedicationStatement | MedicationRequest


@dataclass(frozen=True, slots=True)
class Hormone:
    """A thyroid medicine, with what ties it to other resources.

    Attributes
    ----------
    group : group identifier of the order
    stems_from : references to what a statement was made from
    replaces : reference to the order that this one replaces
    """

    entry: MedicineEntry
    kind: Kind
    group: tuple[str, str] | None = None
    stems_from: tuple[str, ...] = ()
    replaces: str | None = None


@dataclass(slots=True)
class Medicines:
    """What the medication resources of one record gave.

    `indications` stays ``None`` until a thyroid medicine carries a reason.
    """

    taken: list[Hormone] = field(default_factory=list)
    past: list[Hormone] = field(default_factory=list)
    drafts: list[MedicineEntry] = field(default_factory=list)
    indications: list[Known] | None = None


def read_medicine(entry: Entry, found: Medicines, history: History, reading: Reading) -> None:
    """Read one MedicationStatement or MedicationRequest.

    A question about it is noted, and the other resources are still read.

    Raises
    ------
    Unreadable
        where the resource is not of this version, not of this patient, or not FHIR.
    """
    check_version(entry.resource, entry.kind, reading.shape, entry.path)
    seen: Seen = (
        view(entry.resource, MedicationStatement, entry.path)
        if entry.kind == "MedicationStatement"
        else view(entry.resource, MedicationRequest, entry.path)
    )
    check_subject(seen.subject, reading.patient, f"{entry.path}.subject", reading.notes)
    try:
        standing = _standing(seen, entry, reading)
        product, concept = _product(seen, entry, reading, standing)
        if product is None:
            _read_other(seen, concept, entry, standing, history, reading)
        else:
            _read_hormone(seen, product, entry, standing, found, reading)
    except Asked as asked:
        reading.notes.ask(asked)


def _standing(seen: Seen, entry: Entry, reading: Reading) -> Currency:
    if isinstance(seen, MedicationStatement):
        return statement_standing(seen, reading.shape, reading.as_of, entry.path)
    return request_standing(seen, reading.shape, reading.as_of, entry.path)


def _product(
    seen: Seen, entry: Entry, reading: Reading, standing: Currency
) -> tuple[Product | None, CodeableConcept | None]:
    """The thyroid product, if it is one, and the concept by which the medicine is named."""
    concept, reference = named_in(seen)
    codes, preparations = reading.codes, reading.preparations
    try:
        if reference is not None and concept is None:
            medication, path = medication_of(reference, seen, reading, entry)
            if medication is not None:
                return product_in(medication, codes, preparations, path), medication.code
            concept = CodeableConcept(text=reference.display)
        if concept is None:
            return None, None
        return product_of(concept, codes, preparations, f"{entry.path}.medication"), concept
    except Asked:
        if standing.standing in (Standing.TAKEN, Standing.DRAFT):
            raise
        return None, None  # what is not taken now need not be settled


def _read_other(
    seen: Seen,
    concept: CodeableConcept | None,
    entry: Entry,
    standing: Currency,
    history: History,
    reading: Reading,
) -> None:
    """A medicine that is no thyroid hormone, for the safety rules."""
    if standing.standing is not Standing.TAKEN:
        return
    if concept is None or not (concept.coding or concept.text):
        raise Asked(
            f"{entry.path}.medication",
            "What this medicine is could not be told: it may be thyroid hormone. What is it?",
        )
    keys = keys_in(concept, reading.codes.concerns.medicines)
    if not keys and not concept.text and not any(c.display for c in concept.coding):
        reading.notes.confirm(
            f"{entry.path}.medication",
            "This medicine is known only by a code that is not in the tables. Is it thyroid"
            " hormone?",
        )
    keep(
        keys,
        entry,
        history.medicines,
        reading,
        day=standing.first_day,
        modified=bool(seen.modifier),
    )


def _read_hormone(
    seen: Seen,
    product: Product,
    entry: Entry,
    standing: Currency,
    found: Medicines,
    reading: Reading,
) -> None:
    notes = reading.notes
    if standing.standing is Standing.NOT_TAKEN:
        notes.unread(entry.path, f"not counted as taken: {standing.why}")
        return
    if standing.standing is Standing.PAST:
        notes.unread(entry.path, f"not counted as taken: {standing.why}")
        medicine = _entry(seen, entry, standing, _past_doses(seen, product, entry, reading))
        found.past.append(Hormone(medicine, product.kind))
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
    _read_reasons(seen, entry, found, reading)
    medicine = _entry(
        seen, entry, standing, _current_doses(seen, product, entry, standing, reading)
    )
    if medicine.draft:
        found.drafts.append(medicine)
    else:
        found.taken.append(_hormone(seen, medicine, product))


def _current_doses(
    seen: Seen, product: Product, entry: Entry, standing: Currency, reading: Reading
) -> Doses:
    """The doses taken, with what is to be confirmed noted; none where a question is open."""
    dosages, path = _dosages(seen, entry)
    dated = standing.standing is Standing.TAKEN
    try:
        doses = read_doses(dosages, product, path, reading, dated=dated)
    except Asked as asked:
        reading.notes.ask(asked)
        return Doses((), product.named_in_words)
    from_text = doses.from_text or product.named_in_words
    if doses.lines and from_text:
        shown = " and ".join(
            f"{line.preparation.name} {plain(line.daily)}"
            f" {'µg' if line.preparation.unit == 'ug' else 'mg'} a day"
            for line in doses.lines
        )
        reading.notes.confirm(entry.path, f"{shown} was read from text. Is that what is taken?")
    return Doses(doses.lines, from_text)


def _past_doses(seen: Seen, product: Product, entry: Entry, reading: Reading) -> Doses:
    """The doses of a medicine that is no longer taken; what cannot be read is not asked."""
    dosages, path = _dosages(seen, entry)
    apart = Notes()
    try:
        doses = read_doses(dosages, product, path, reading.with_notes(apart), dated=False)
    except Asked:
        doses = Doses(())
    return Doses(()) if apart.questions or seen.modifier else doses


def _dosages(seen: Seen, entry: Entry) -> tuple[tuple[Dosage, ...], str]:
    if isinstance(seen, MedicationStatement):
        return seen.dosage, f"{entry.path}.dosage"
    return seen.dosage_instruction, f"{entry.path}.dosageInstruction"


def _read_reasons(seen: Seen, entry: Entry, found: Medicines, reading: Reading) -> None:
    """Why the hormone is taken, as far as its own resource says."""
    concepts = [*seen.reason_code, *(r.concept for r in seen.reason if r.concept)]
    references = [*seen.reason_reference, *(r.reference for r in seen.reason if r.reference)]
    for reference in references:
        target = reading.index.find(reference)
        if target is not None and target.kind == "Condition":
            code = target.resource.get("code")
            concepts.append(view(code or {}, CodeableConcept, f"{target.path}.code"))
    if not concepts:
        return
    table = reading.codes.concerns.conditions
    keys = dict.fromkeys(key for concept in concepts for key in keys_in(concept, table))
    found.indications = (found.indications or []) + [Known(key, entry.path) for key in keys]


def _entry(seen: Seen, entry: Entry, standing: Currency, doses: Doses) -> MedicineEntry:
    request = seen if isinstance(seen, MedicationRequest) else None
    context = seen.context if isinstance(seen, MedicationStatement) else None
    identifiers = [*seen.identifier, *([request.group_identifier] if request else [])]
    return MedicineEntry(
        reference=entry.reference,
        resource_type=entry.kind,
        path=entry.path,
        lines=doses.lines,
        status=seen.status or "",
        draft=standing.standing is Standing.DRAFT,
        ours=any(i is not None and i.system == PLAN_SYSTEM for i in identifiers),
        from_text=doses.from_text,
        encounter=_written(seen.encounter or context),
        requester=_written(request.requester) if request else None,
        first_day=standing.first_day,
        last_day=standing.last_day,
        replaces=_written(request.prior_prescription) if request else None,
    )


def _written(reference: Reference | None) -> str | None:
    return reference.reference if reference else None


def _hormone(seen: Seen, medicine: MedicineEntry, product: Product) -> Hormone:
    if isinstance(seen, MedicationStatement):
        sources = [_written(r) for r in (*seen.derived_from, *seen.based_on)]
        return Hormone(medicine, product.kind, stems_from=tuple(s for s in sources if s))
    group = seen.group_identifier
    named = (group.system or "", group.value) if group and group.value else None
    return Hormone(medicine, product.kind, group=named, replaces=_written(seen.prior_prescription))
