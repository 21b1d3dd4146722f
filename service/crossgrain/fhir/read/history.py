"""Conditions, allergies and other medicines: what a safety rule could want to know."""

from datetime import date

from crossgrain.fhir.read.concerns import ConcernTable
from crossgrain.fhir.read.dates import read_date
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.resolve import Entry
from crossgrain.fhir.read.views import (
    AllergyIntolerance,
    CodeableConcept,
    Condition,
    view,
)
from crossgrain.safety.facts import Known

_PASSED = {"inactive", "remission", "resolved"}
_REFUTED = {"refuted", "entered-in-error"}
_MATTERS_WHEN_PAST = {"myocardial-infarction"}
"""An infarction is over in days and matters for months."""
_NOT_KNOWN = "no code or name in it is one that a safety rule knows"


def keys_in(concept: CodeableConcept | None, table: ConcernTable) -> list[str]:
    """Our keys for a concept: by its codes, else by its words."""
    if concept is None:
        return []
    found = [
        key
        for coding in concept.coding
        if coding.system and coding.code
        if (key := table.key_of_code(coding.system, coding.code))
    ]
    if not found:
        words = [concept.text, *(coding.display for coding in concept.coding)]
        found = [key for word in words if word and (key := table.key_of_text(word))]
    return list(dict.fromkeys(found))


def read_condition(
    entry: Entry, found: list[Known], table: ConcernTable, as_of: date, notes: Notes
) -> None:
    """Read one Condition into `found`, or say why not."""
    seen = view(entry.resource, Condition, entry.path)
    if _void(seen.verification_status):
        return
    began = seen.onset_date_time or (seen.onset_period.start if seen.onset_period else None)
    keys = keys_in(seen.code, table)
    if _codes(seen.clinical_status) & _PASSED:
        for key in set(keys) - _MATTERS_WHEN_PAST:
            notes.unread(entry.path, f"{key} is recorded as past, so it was not counted")
        keys = [key for key in keys if key in _MATTERS_WHEN_PAST]
    elif not keys:
        notes.unread(entry.path, _NOT_KNOWN)
    day = _day(began or seen.recorded_date, as_of, entry.path)
    _keep(keys, entry, found, day, bool(seen.modifier), notes)


def read_allergy(
    entry: Entry, found: list[Known], table: ConcernTable, as_of: date, notes: Notes
) -> None:
    """Read one AllergyIntolerance into `found`, or say why not."""
    seen = view(entry.resource, AllergyIntolerance, entry.path)
    if _void(seen.verification_status) or _codes(seen.clinical_status) & {"inactive", "resolved"}:
        return
    keys = keys_in(seen.code, table)
    if not keys:
        notes.unread(entry.path, _NOT_KNOWN)
    day = _day(seen.onset_date_time or seen.recorded_date, as_of, entry.path)
    _keep(keys, entry, found, day, bool(seen.modifier), notes)


def _keep(
    keys: list[str],
    entry: Entry,
    found: list[Known],
    day: int | None,
    modified: bool,
    notes: Notes,
) -> None:
    if modified:
        notes.unread(entry.path, "it carries a modifier that is not known")
        return
    found.extend(Known(key, entry.path, day) for key in keys)
    if keys:
        notes.use(entry.path, entry.reference)


def _codes(concept: CodeableConcept | None) -> set[str]:
    return {coding.code for coding in concept.coding if coding.code} if concept else set()


def _void(verification: CodeableConcept | None) -> bool:
    return bool(_codes(verification) & _REFUTED)


def _day(text: str | None, as_of: date, path: str) -> int | None:
    return read_date(text, path).day(as_of) if text else None
