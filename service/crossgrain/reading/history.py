"""Conditions, allergies, goals and other medicines: what a safety rule could want to know."""

from dataclasses import dataclass, field

from crossgrain.reading.concerns import ConcernTable, HeardKeys
from crossgrain.reading.dates import read_date
from crossgrain.reading.elements import CodeableConcept
from crossgrain.reading.person import say_whose
from crossgrain.reading.reading import Reading
from crossgrain.reading.resolve import Entry
from crossgrain.reading.views import AllergyIntolerance, Condition, Goal, view
from crossgrain.safety.facts import Known

_PASSED = {"inactive", "remission", "resolved"}
_REFUTED = {"refuted", "entered-in-error"}
_GIVEN_UP = {"cancelled", "entered-in-error", "rejected", "completed"}
_NOT_KNOWN = "no code or name in it is one that a safety rule knows"
_DENIED = "its words deny what a safety rule looks for, so it was not taken for it"
_MODIFIED = "it carries a modifier that is not known"


@dataclass(slots=True)
class History:
    """What the record says beside medicines for the thyroid and results."""

    conditions: list[Known] = field(default_factory=list)
    allergies: list[Known] = field(default_factory=list)
    medicines: list[Known] = field(default_factory=list)
    goals: list[Known] = field(default_factory=list)


def keys_in(concept: CodeableConcept | None, table: ConcernTable) -> tuple[str, ...]:
    """Our keys for a concept, where there is one."""
    return () if concept is None else table.keys_of(concept)


def read_condition(entry: Entry, history: History, reading: Reading) -> None:
    """Read one Condition, or say why not; a past one is kept as not active."""
    seen = view(entry.resource, Condition, entry.path)
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    if _is_one_of(_REFUTED, seen.verification_status):
        return
    onset = seen.onset_date_time or (seen.onset_period.start if seen.onset_period else None)
    heard = _heard(seen.code, reading.codes.concerns.conditions)
    keep(
        heard.keys,
        entry,
        history.conditions,
        reading,
        day=day_of(onset or seen.recorded_date, entry.path, reading),
        active=not _is_one_of(_PASSED, seen.clinical_status),
        modified=bool(seen.modifier),
        denied=heard.denied,
    )


def read_allergy(entry: Entry, history: History, reading: Reading) -> None:
    """Read one AllergyIntolerance, or say why not."""
    seen = view(entry.resource, AllergyIntolerance, entry.path)
    say_whose(seen.patient, f"{entry.path}.patient", reading.notes)
    if _is_one_of(_REFUTED, seen.verification_status):
        return
    heard = _heard(seen.code, reading.codes.concerns.allergies)
    keep(
        heard.keys,
        entry,
        history.allergies,
        reading,
        day=day_of(seen.onset_date_time or seen.recorded_date, entry.path, reading),
        active=not _is_one_of(_PASSED, seen.clinical_status),
        modified=bool(seen.modifier),
        denied=heard.denied,
    )


def read_goal(entry: Entry, history: History, reading: Reading) -> None:
    """Read one Goal; one that was given up or reached is passed over."""
    seen = view(entry.resource, Goal, entry.path)
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    if seen.lifecycle_status in _GIVEN_UP:
        return
    heard = _heard(seen.description, reading.codes.concerns.conditions)
    modified = bool(seen.modifier)
    keep(heard.keys, entry, history.goals, reading, modified=modified, denied=heard.denied)


def _heard(concept: CodeableConcept | None, table: ConcernTable) -> HeardKeys:
    return HeardKeys() if concept is None else table.heard_of(concept)


def keep(
    keys: tuple[str, ...],
    entry: Entry,
    found: list[Known],
    reading: Reading,
    *,
    day: int | None = None,
    active: bool = True,
    modified: bool,
    denied: bool = False,
) -> None:
    """Keep what was recognised in a resource; say where nothing was, or it must not be read."""
    if modified or not keys:
        nothing = _DENIED if denied else _NOT_KNOWN
        reading.notes.unread(entry.path, _MODIFIED if modified else nothing)
        return
    found += [Known(key, entry.path, day, active) for key in keys]
    reading.notes.use(entry.path, entry.reference)


def day_of(text: str | None, path: str, reading: Reading) -> int | None:
    """The day that a date names, or ``None``."""
    return read_date(text, path).day(reading.as_of) if text else None


def _is_one_of(codes: set[str], concept: CodeableConcept | None) -> bool:
    return concept is not None and not codes.isdisjoint([c.code for c in concept.coding])
