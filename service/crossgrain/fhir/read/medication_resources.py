"""MedicationStatement and MedicationRequest seen alike: product, dosages, standing."""

from crossgrain.fhir.read.currency import Currency, request_standing, statement_standing
from crossgrain.fhir.read.medicines import Product, product_of
from crossgrain.fhir.read.person import check_subject
from crossgrain.fhir.read.products import medication_of, named_in, product_in
from crossgrain.fhir.read.reading import Reading
from crossgrain.fhir.read.resolve import Entry
from crossgrain.fhir.read.shapes import check_version
from crossgrain.fhir.read.views import (
    CodeableConcept,
    Dosage,
    MedicationRequest,
    MedicationStatement,
    view,
)

Seen = MedicationStatement | MedicationRequest


def seen_in(entry: Entry, reading: Reading) -> Seen:
    """The resource as far as it is read.

    Raises
    ------
    Unreadable
        where it is not of this version, not of this patient, or not FHIR.
    """
    check_version(entry.resource, entry.kind, reading.shape, entry.path)
    seen: Seen = (
        view(entry.resource, MedicationStatement, entry.path)
        if entry.kind == "MedicationStatement"
        else view(entry.resource, MedicationRequest, entry.path)
    )
    check_subject(seen.subject, reading.patient, f"{entry.path}.subject", reading.notes)
    return seen


def standing_of(seen: Seen, entry: Entry, reading: Reading) -> Currency:
    """Whether it is taken on the day of reading, and since when."""
    if isinstance(seen, MedicationStatement):
        return statement_standing(seen, reading.shape, reading.as_of, entry.path)
    return request_standing(seen, reading.shape, reading.as_of, entry.path)


def product_named(
    seen: Seen, entry: Entry, reading: Reading
) -> tuple[Product | None, CodeableConcept | None]:
    """The thyroid product, if it is one, and the concept by which the medicine is named.

    Raises
    ------
    Asked
        where the product cannot be told.
    """
    concept, reference = named_in(seen)
    codes, preparations = reading.codes, reading.preparations
    if reference is not None and concept is None:
        medication, path = medication_of(reference, seen, reading, entry)
        if medication is not None:
            return product_in(medication, codes, preparations, path), medication.code
        concept = CodeableConcept(text=reference.display)
    if concept is None:
        return None, None
    return product_of(concept, codes, preparations, f"{entry.path}.medication"), concept


def dosages_of(seen: Seen, entry: Entry) -> tuple[tuple[Dosage, ...], str]:
    """Its dosages, and the FHIRPath of their list."""
    if isinstance(seen, MedicationStatement):
        return seen.dosage, f"{entry.path}.dosage"
    return seen.dosage_instruction, f"{entry.path}.dosageInstruction"
