"""Whether a resource that cannot be read could bear on the answer, as far as its name shows."""

from collections.abc import Callable, Mapping
from typing import Any

import msgspec

from crossgrain.reading.elements import CodeableConcept
from crossgrain.reading.errors import Asked, Unreadable
from crossgrain.reading.labs import is_known
from crossgrain.reading.medication_resources import product_named
from crossgrain.reading.medications import name_of, product_in
from crossgrain.reading.medicines import is_told
from crossgrain.reading.reading import Reading
from crossgrain.reading.resolve import Entry
from crossgrain.reading.views import Medication, Medicine, view

_NAMES_A_MEDICINE = (
    "resourceType", "contained", "medicationCodeableConcept", "medicationReference", "medication",
    "reason", "reasonCode", "reasonReference",
)  # fmt: skip


def may_matter(entry: Entry, reading: Reading) -> bool:
    """False only where the resource names what it is of, and that is of no concern here."""
    judge = _JUDGES.get(entry.kind)
    if judge is None:
        return entry.kind == "Patient"
    try:
        return judge(entry, reading)
    except (Asked, Unreadable, msgspec.ValidationError):
        return True


def _medicine_matters(entry: Entry, reading: Reading) -> bool:
    named = {key: entry.resource[key] for key in _NAMES_A_MEDICINE if key in entry.resource}
    product, concept = product_named(view(named, Medicine, entry.path), entry, reading)
    return product is not None or _is_concern(concept, reading)


def _medication_matters(entry: Entry, reading: Reading) -> bool:
    seen = view(entry.resource, Medication, entry.path)
    product = product_in(seen, reading.codes, reading.preparations, entry.path)
    return product is not None or _is_concern(name_of(seen, reading.codes), reading)


def _is_concern(concept: CodeableConcept | None, reading: Reading) -> bool:
    """A medicine without words may be any; one with words is known by them or is not."""
    if concept is None or not is_told(concept, reading.codes):
        return True
    return bool(reading.codes.concerns.medicines.keys_of(concept))


def _condition_matters(entry: Entry, reading: Reading) -> bool:
    element = "description" if entry.kind == "Goal" else "code"
    return bool(reading.codes.concerns.conditions.keys_of(_concept(entry.resource.get(element))))


def _allergy_matters(entry: Entry, reading: Reading) -> bool:
    return bool(reading.codes.concerns.allergies.keys_of(_concept(entry.resource.get("code"))))


def _result_matters(entry: Entry, reading: Reading) -> bool:
    parts: Any = entry.resource.get("component") or []
    measured = [entry.resource, *msgspec.convert(parts, list[dict[str, Any]])]
    return any(is_known(_concept(part.get("code")), reading.codes) for part in measured)


def _concept(said: object) -> CodeableConcept:
    return msgspec.convert(said or {}, CodeableConcept)


_JUDGES: Mapping[str, Callable[[Entry, Reading], bool]] = {
    "MedicationStatement": _medicine_matters,
    "MedicationRequest": _medicine_matters,
    "Medication": _medication_matters,
    "Observation": _result_matters,
    "Condition": _condition_matters,
    "Goal": _condition_matters,
    "AllergyIntolerance": _allergy_matters,
}
