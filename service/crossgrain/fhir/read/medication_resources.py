"""MedicationStatement and MedicationRequest seen alike: product, dosages, standing, ties."""

from msgspec.structs import replace

from crossgrain.fhir.identity import PLAN_SYSTEM
from crossgrain.fhir.read.currency import Currency, request_standing, statement_standing
from crossgrain.fhir.read.elements import CodeableConcept, Dosage, Reference
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.medications import medication_of, name_of, named_in, product_in
from crossgrain.fhir.read.medicines import product_of
from crossgrain.fhir.read.person import say_whose
from crossgrain.fhir.read.product import Product
from crossgrain.fhir.read.reading import Reading
from crossgrain.fhir.read.resolve import Entry
from crossgrain.fhir.read.views import MedicationRequest, MedicationStatement, Medicine, view

Seen = MedicationStatement | MedicationRequest


def seen_in(entry: Entry, reading: Reading) -> Seen:
    """The resource as far as it is read.

    Raises
    ------
    Unreadable
        where it is not FHIR.
    """
    seen: Seen = (
        view(entry.resource, MedicationStatement, entry.path)
        if entry.kind == "MedicationStatement"
        else view(entry.resource, MedicationRequest, entry.path)
    )
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    return seen


def standing_of(seen: Seen, entry: Entry, reading: Reading) -> Currency:
    """Whether it is taken on the day of reading, and since when."""
    if isinstance(seen, MedicationStatement):
        return statement_standing(seen, reading.shape, reading.as_of, entry.path)
    return request_standing(seen, reading.shape, reading.as_of, entry.path)


def product_named(
    seen: Medicine, entry: Entry, reading: Reading
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
            return product_in(medication, codes, preparations, path), name_of(medication)
        concept = CodeableConcept(text=reference.display)
    if concept is None:
        return None, None
    return product_of(concept, codes, preparations, f"{entry.path}.medication"), concept


def dosages_of(seen: Seen, entry: Entry) -> tuple[tuple[Dosage, ...], str]:
    """Its dosages, and the FHIRPath of their list.

    The whole instruction as R5 renders it is the words of a single dosage that has none.
    """
    stated = isinstance(seen, MedicationStatement)
    dosages = seen.dosage if isinstance(seen, MedicationStatement) else seen.dosage_instruction
    if seen.rendered_dosage_instruction and len(dosages) == 1 and not dosages[0].text:
        dosages = (replace(dosages[0], text=seen.rendered_dosage_instruction),)
    return dosages, f"{entry.path}.{'dosage' if stated else 'dosageInstruction'}"


def is_ours(seen: Seen) -> bool:
    """Whether it is part of a series that this service proposed."""
    group = seen.group_identifier if isinstance(seen, MedicationRequest) else None
    named = (*seen.identifier, group) if group else seen.identifier
    return any(identifier.system == PLAN_SYSTEM for identifier in named)


def group_of(seen: Seen) -> tuple[str, str] | None:
    """System and value of the identifier that ties orders together."""
    group = seen.group_identifier if isinstance(seen, MedicationRequest) else None
    return (group.system or "", group.value) if group and group.value else None


def sources_of(seen: Seen, entry: Entry, reading: Reading) -> tuple[Entry, ...]:
    """The resources of the record that a statement was made from.

    Raises
    ------
    Asked
        where it cannot be told whether one is in the record.
    """
    if isinstance(seen, MedicationRequest):
        return ()
    named = {
        **{f"derivedFrom[{number}]": each for number, each in enumerate(seen.derived_from)},
        **{f"basedOn[{number}]": each for number, each in enumerate(seen.based_on)},
    }
    found = [_meant(each, element, entry, reading) for element, each in named.items()]
    return tuple(source for source in found if source is not None)


def replaced_by(seen: Seen, entry: Entry, reading: Reading) -> str | None:
    """The order of the record that this one takes the place of, by its own reference.

    Raises
    ------
    Asked
        where it cannot be told whether it is in the record.
    """
    if not isinstance(seen, MedicationRequest):
        return None
    found = _meant(seen.prior_prescription, "priorPrescription", entry, reading)
    return found.reference if found else None


def _meant(
    reference: Reference | None, element: str, entry: Entry, reading: Reading
) -> Entry | None:
    if reading.index.may_find(reference, entry):
        raise Asked(
            f"{entry.path}.{element}",
            "This may name a resource of the record or another one on another server. Which one?"
            " Give each entry its fullUrl.",
        )
    return reading.index.find(reference, entry)
