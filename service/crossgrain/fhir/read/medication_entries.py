"""One medication resource to a `MedicineEntry`, to another medicine, or to a question."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.fhir.identity import PLAN_SYSTEM
from crossgrain.fhir.read.codes import CodeTables
from crossgrain.fhir.read.currency import (
    Currency,
    Standing,
    dosage_in_force,
    has_bounds,
    request_standing,
    statement_standing,
)
from crossgrain.fhir.read.dosage import ReadDose, read_dosage
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.history import keys_in
from crossgrain.fhir.read.medicines import Product, product_of
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.person import check_subject
from crossgrain.fhir.read.products import medication_of, named_in, product_in
from crossgrain.fhir.read.quantities import plain
from crossgrain.fhir.read.record import MedicineEntry
from crossgrain.fhir.read.resolve import BundleIndex, Entry
from crossgrain.fhir.read.shapes import Shape, check_version
from crossgrain.fhir.read.views import (
    CodeableConcept,
    Dosage,
    MedicationRequest,
    MedicationStatement,
    Reference,
    view,
)
from crossgrain.safety.facts import Known


@dataclass(slots=True)
class Medicines:
    """What the medication resources of one record gave."""

    taken: list["Taken"] = field(default_factory=list)
    drafts: list[MedicineEntry] = field(default_factory=list)
    others: list[Known] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Taken:
    """A thyroid medicine that is taken, with what ties it to other resources."""

    entry: MedicineEntry
    kind: Kind
    group: tuple[str, str] | None
    stems_from: tuple[str, ...]
    replaces: str | None


@dataclass(frozen=True, slots=True)
class Reading:
    """What every resource of one record is read with."""

    index: BundleIndex
    patient: Entry
    codes: CodeTables
    preparations: Mapping[str, Preparation]
    shape: Shape
    as_of: date
    notes: Notes


def read_medicine(entry: Entry, found: Medicines, reading: Reading) -> None:
    """Read one MedicationStatement or MedicationRequest into `found`.

    A question about it is noted, and the other resources are still read.

    Raises
    ------
    Unreadable
        where the resource is not of this version, not of this patient, or not FHIR.
    """
    check_version(entry.resource, entry.kind, reading.shape, entry.path)
    seen = _seen(entry)
    check_subject(seen.subject, reading.patient, f"{entry.path}.subject", reading.notes)
    try:
        product, concept = _product(seen, entry, reading)
        if product is None:
            _read_other(seen, concept, entry, found, reading)
            return
        _refuse_modifiers(seen, entry)
        _read_thyroid(seen, product, entry, found, reading)
    except Asked as asked:
        reading.notes.ask(asked)


def _seen(entry: Entry) -> MedicationStatement | MedicationRequest:
    if entry.kind == "MedicationStatement":
        return view(entry.resource, MedicationStatement, entry.path)
    return view(entry.resource, MedicationRequest, entry.path)


def _refuse_modifiers(seen: MedicationStatement | MedicationRequest, entry: Entry) -> None:
    if seen.modifier:
        raise Asked(
            f"{entry.path}.modifierExtension",
            "This medicine carries a modifier that is not known, so it was not read. What is"
            " taken?",
        )


def _product(
    seen: MedicationStatement | MedicationRequest, entry: Entry, reading: Reading
) -> tuple[Product | None, CodeableConcept | None]:
    """The thyroid product, if it is one, and the concept by which the medicine is named."""
    concept, reference = named_in(seen)
    codes, preparations = reading.codes, reading.preparations
    if reference is not None and concept is None:
        medication, path = medication_of(reference, seen, reading.index, entry, reading.notes)
        if medication is not None:
            return product_in(medication, codes, preparations, path), medication.code
        concept = CodeableConcept(text=reference.display)
        if not reference.display:
            return None, None
    if concept is None:
        return None, None
    return product_of(concept, codes, preparations, f"{entry.path}.medication"), concept


def _standing(
    seen: MedicationStatement | MedicationRequest, entry: Entry, reading: Reading
) -> Currency:
    if isinstance(seen, MedicationStatement):
        return statement_standing(seen, reading.shape, reading.as_of, entry.path)
    return request_standing(seen, reading.shape, reading.as_of, entry.path)


def _read_other(
    seen: MedicationStatement | MedicationRequest,
    concept: CodeableConcept | None,
    entry: Entry,
    found: Medicines,
    reading: Reading,
) -> None:
    """A medicine that is no thyroid hormone, for the safety rules."""
    standing = _standing(seen, entry, reading)
    if standing.standing is not Standing.TAKEN:
        return
    if concept is None or not (concept.coding or concept.text):
        raise Asked(
            f"{entry.path}.medication",
            "What this medicine is could not be told: it may be thyroid hormone. What is it?",
        )
    keys = keys_in(concept, reading.codes.concerns.medicines)
    if seen.modifier:
        reading.notes.unread(entry.path, "it carries a modifier that is not known")
        return
    if not keys:
        reading.notes.unread(entry.path, "no code or name in it is one that a safety rule knows")
        return
    found.others.extend(Known(key, entry.path, standing.first_day) for key in keys)
    reading.notes.use(entry.path, entry.reference)


def _read_thyroid(
    seen: MedicationStatement | MedicationRequest,
    product: Product,
    entry: Entry,
    found: Medicines,
    reading: Reading,
) -> None:
    standing = _standing(seen, entry, reading)
    if standing.standing in (Standing.PAST, Standing.NOT_TAKEN):
        reading.notes.unread(entry.path, f"not counted as taken: {standing.why}")
        return
    draft = standing.standing is Standing.DRAFT
    reading.notes.use(entry.path, entry.reference)
    if standing.confirm:
        reading.notes.confirm(entry.path, standing.confirm)
    lines, from_text = _lines(seen, product, entry, draft, reading)
    medicine = _entry(seen, entry, standing, lines, from_text or product.from_text)
    if medicine.from_text:
        reading.notes.confirm(
            entry.path, f"{_shown(medicine)} was read from text. Is that what is taken?"
        )
    if draft:
        found.drafts.append(medicine)
    else:
        found.taken.append(_taken(seen, medicine, product))


def _shown(medicine: MedicineEntry) -> str:
    if not medicine.lines:
        return "The medicine"
    return " and ".join(
        f"{line.preparation.name} {plain(line.daily)}"
        f" {'µg' if line.preparation.unit == 'ug' else 'mg'} a day"
        for line in medicine.lines
    )


def _lines(
    seen: MedicationStatement | MedicationRequest,
    product: Product,
    entry: Entry,
    draft: bool,
    reading: Reading,
) -> tuple[tuple[DoseLine, ...], bool]:
    """The dose lines, and whether one of them stands only in words."""
    statement = isinstance(seen, MedicationStatement)
    name = "dosage" if statement else "dosageInstruction"
    dosages = seen.dosage if isinstance(seen, MedicationStatement) else seen.dosage_instruction
    in_force = _in_force(dosages, f"{entry.path}.{name}", draft, reading)
    if not in_force:
        raise Asked(entry.path, "No dosage is given. How much is taken, and how often?")
    lines: list[DoseLine] = []
    from_text = False
    for path, dosage in in_force:
        try:
            dose = read_dosage(dosage, product, reading.preparations, path, reading.notes)
            _refuse_implausible(dose, reading.codes, path, len(in_force))
        except Asked as asked:
            reading.notes.ask(asked)
            continue
        if dose.assumed:
            reading.notes.confirm(path, dose.assumed)
        from_text = from_text or dose.from_text
        lines.append(DoseLine(dose.preparation, dose.cycle, path))
    _refuse_doubled(lines, entry, len(in_force))
    return tuple(lines), from_text


def _in_force(
    dosages: Sequence[Dosage], path: str, draft: bool, reading: Reading
) -> list[tuple[str, Dosage]]:
    """The dosages that hold on the day of reading.

    Dosages of different sequence numbers follow each other, so only their own dates, or days
    of the week that do not meet, say which of them is taken now.
    """
    numbered = [(f"{path}[{n}]", dosage) for n, dosage in enumerate(dosages)]
    if not draft:
        numbered = [(p, d) for p, d in numbered if dosage_in_force(d, reading.as_of, f"{p}.timing")]
    sequences = {dosage.sequence for _, dosage in numbered}
    if len(sequences) > 1 and not all(has_bounds(d) for _, d in numbered):
        if not _days_apart([d for _, d in numbered]):
            raise Asked(
                path, "The dosages follow one another without dates. Which one is taken now?"
            )
        reading.notes.confirm(
            path, "Dosages on different days of the week were read as taken side by side."
        )
    return numbered


def _days_apart(dosages: Sequence[Dosage]) -> bool:
    days = [
        day
        for d in dosages
        for day in (d.timing.repeat.day_of_week if d.timing and d.timing.repeat else ["?", "?"])
    ]
    return len(days) == len(set(days))


def _refuse_implausible(dose: ReadDose, codes: CodeTables, path: str, dosages: int) -> None:
    """A slip of ten or a thousand is likelier than a dose outside the bounds."""
    line = dose.preparation
    bounds = codes.plausible[line.kind]
    daily = sum(dose.cycle, Fraction(0)) / len(dose.cycle)
    each = max(dose.cycle)
    measure = line.grains if bounds.unit == "grain" else Fraction
    too_low = measure(daily) < bounds.low and dosages == 1
    too_high = measure(daily) > bounds.high or measure(each) > bounds.high * len(dose.cycle)
    if too_low or too_high:
        unit = "µg" if line.unit == "ug" else "mg"
        raise Asked(
            path,
            f"The dose comes to {plain(daily)} {unit} of {line.name} a day, which is not"
            " plausible. What is taken?",
        )


def _refuse_doubled(lines: list[DoseLine], entry: Entry, dosages: int) -> None:
    """Two equal dosages may be one that was written twice."""
    said = [(line.preparation.id, line.cycle) for line in lines]
    if dosages > 1 and len(said) != len(set(said)):
        raise Asked(
            entry.path,
            "Two of its dosages say the same. Is the dose taken once or twice a day?",
        )


def _entry(
    seen: MedicationStatement | MedicationRequest,
    entry: Entry,
    standing: Currency,
    lines: tuple[DoseLine, ...],
    from_text: bool,
) -> MedicineEntry:
    request = seen if isinstance(seen, MedicationRequest) else None
    statement = seen if isinstance(seen, MedicationStatement) else None
    encounter = seen.encounter or (statement.context if statement else None)
    ours = [*seen.identifier, *([request.group_identifier] if request else [])]
    return MedicineEntry(
        reference=entry.reference,
        resource_type=entry.kind,
        path=entry.path,
        lines=lines,
        status=seen.status or "",
        draft=standing.standing is Standing.DRAFT,
        ours=any(i is not None and i.system == PLAN_SYSTEM for i in ours),
        from_text=from_text,
        encounter=_written(encounter),
        requester=_written(request.requester) if request else None,
        first_day=standing.first_day,
    )


def _written(reference: Reference | None) -> str | None:
    return reference.reference if reference else None


def _taken(
    seen: MedicationStatement | MedicationRequest, medicine: MedicineEntry, product: Product
) -> Taken:
    if isinstance(seen, MedicationStatement):
        sources = [_written(r) for r in (*seen.derived_from, *seen.based_on)]
        return Taken(medicine, product.kind, None, tuple(s for s in sources if s), None)
    group = seen.group_identifier
    known = group.system and group.value if group else None
    return Taken(
        medicine,
        product.kind,
        (group.system or "", group.value or "") if group and known else None,
        (),
        _written(seen.prior_prescription),
    )
