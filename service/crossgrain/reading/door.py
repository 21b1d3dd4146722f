"""What every operation asks of a record before it reads it, and of each resource in it.

A record as of today and a course over time come in here alike, so that what one of them refuses,
asks or lists the other does too.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from typing import Any, NotRequired, TypedDict, TypeVar, Unpack
from zoneinfo import ZoneInfo

import msgspec

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.identity import FhirVersion
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import CodeTables, names_how_it_goes
from crossgrain.reading.elements import (
    Asked,
    Asks,
    CodeableConcept,
    ReadCategory,
    Reference,
    Unreadable,
)
from crossgrain.reading.labs import is_known
from crossgrain.reading.medication_resources import product_named
from crossgrain.reading.medications import name_of, product_in
from crossgrain.reading.medicines import is_told
from crossgrain.reading.person import Identity, Person, read_person, the_patient
from crossgrain.reading.reading import NOTHING_VOUCHED, Notes, Reading, Vouched
from crossgrain.reading.resolve import (
    MOST_RESOURCES,
    BundleIndex,
    Entry,
    refuse_implicit_rules,
    refuse_resources_above,
)
from crossgrain.reading.shapes import SHAPES, check_type, check_version
from crossgrain.reading.views import Medication, Medicine, view

_NAMES_A_MEDICINE = (
    "resourceType", "contained", "medicationCodeableConcept", "medicationReference", "medication",
    "reason", "reasonCode", "reasonReference",
)  # fmt: skip


def may_matter(entry: Entry, reading: Reading) -> bool:
    """False only where the resource names what it is of, and that is of no concern here."""
    judge = MATTERS.get(entry.kind)
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
    reactions: Any = entry.resource.get("reaction") or []
    substances = (r.get("substance") for r in msgspec.convert(reactions, list[dict[str, Any]]))
    named = map(_concept, (entry.resource.get("code"), *substances))
    return any(map(reading.codes.concerns.allergies.keys_of, named))


def _result_matters(entry: Entry, reading: Reading) -> bool:
    parts: Any = entry.resource.get("component") or []
    measured = [entry.resource, *msgspec.convert(parts, list[dict[str, Any]])]
    return any(is_known(_concept(part.get("code")), reading.codes) for part in measured)


def _concept(said: object) -> CodeableConcept:
    return msgspec.convert(said or {}, CodeableConcept)


def _may_be_read(entry: Entry) -> bool:
    """False for answers to questions of others, which may be of anyone."""
    return entry.kind != "QuestionnaireResponse" or names_how_it_goes(entry.resource)


MATTERS: Mapping[str, Callable[[Entry, Reading], bool]] = {
    "MedicationStatement": _medicine_matters,
    "MedicationRequest": _medicine_matters,
    "Medication": _medication_matters,
    "Observation": _result_matters,
    "Condition": _condition_matters,
    "Goal": _condition_matters,
    "AllergyIntolerance": _allergy_matters,
    "QuestionnaireResponse": lambda entry, _: names_how_it_goes(entry.resource),
}
"""By type that is read, besides the Patient: whether one may have a bearing on the plan."""


_OTHER_PAGES = {"next", "previous", "prev"}
_GRAVE = ("fatal", "error", "warning")
_BESIDE_THE_MATCHES = ("include", "outcome")
_ONE_OF_SEVERAL = "The bundle is one page of several. Is every medicine in it?"
_FEWER = "The bundle says that more was found than it holds. Is every medicine in it?"


def signs_of_more(bundle: Mapping[str, Any], matches: int) -> Iterator[tuple[str, str]]:
    """Each sign that there is more elsewhere: the element, and what is to be asked.

    Parameters
    ----------
    matches : how many entries count towards `total`
    """
    for number in _other_pages(bundle.get("link", [])):
        yield f"link[{number}]", _ONE_OF_SEVERAL
    total = bundle.get("total", 0)
    if not isinstance(total, int) or total > matches:
        yield "total", _FEWER


def _other_pages(links: object) -> Iterable[int]:
    """The first link to each kind of other page: the same is not asked twice."""
    first: dict[str, int] = {}
    for number, link in enumerate(links if isinstance(links, list) else []):
        relation = link.get("relation") if isinstance(link, dict) else None
        if isinstance(relation, str) and relation in _OTHER_PAGES:
            first.setdefault(relation, number)
    return first.values()


def matches_in(bundle: Mapping[str, Any]) -> int:
    """How many different resources were found by the search itself, not only added to it."""
    found: set[tuple[Any, ...]] = set()
    entries = bundle.get("entry", [])
    for number, entry in enumerate(entries if isinstance(entries, list) else []):
        search = entry.get("search") if isinstance(entry, dict) else None
        mode = search.get("mode") if isinstance(search, dict) else None
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if (isinstance(mode, str) and mode in _BESIDE_THE_MATCHES) or not isinstance(
            resource, dict
        ):
            continue
        named = entry.get("fullUrl", ""), resource.get("resourceType"), resource.get("id")
        found.add(named if all(isinstance(part, str) for part in named) else (number,))
    return len(found)


def is_grave(outcome: Mapping[str, Any]) -> bool:
    """Whether an OperationOutcome beside what was gathered says that something is missing."""
    issues = outcome.get("issue")
    if not isinstance(issues, list):
        return True
    return any(not isinstance(i, dict) or i.get("severity") in _GRAVE for i in issues)


_NAMES_ITS_PATIENT = {
    "MedicationStatement": "subject",
    "MedicationRequest": "subject",
    "MedicationDispense": "subject",
    "Observation": "subject",
    "Condition": "subject",
    "Goal": "subject",
    "AllergyIntolerance": "patient",
    "QuestionnaireResponse": "subject",
}
"""The resources that are read, and their element that says whose they are."""
_READ = frozenset(_NAMES_ITS_PATIENT) | {"Patient", "Medication"}
_COULD_MATTER = {
    "MedicationDispense": "a dispense is not a dose taken",
    "MedicationAdministration": "a single administration is not a regimen",
    "Procedure": "procedures are not read",
    "DiagnosticReport": "only its Observations are read, where the bundle holds them",
    "Flag": "flags are not read",
    "List": "lists are not read",
    "DetectedIssue": "detected issues are not read",
    "OperationOutcome": "the sender says that something went wrong while gathering the record",
}
_HOLD_OTHERS = {"Bundle", "Parameters"}
_WHOSE = "It does not say whose it is, and other resources do. Is it this patient's?"
T = TypeVar("T")


@frozen
class Opened:
    """A record past the door: what it is read with, whose it is, where each resource stands."""

    reading: Reading
    person: Person
    identity: Identity
    names_its_patient: bool
    """Whether any resource says whose it is."""

    def entries(self) -> Iterator[Entry]:
        """Each resource that may be read, in order; what may not is refused, asked or listed."""
        for entry in self.reading.index.entries:
            if self.admits(entry):
                yield entry

    def read(self, entry: Entry, with_reader: Callable[[], T]) -> T | None:
        """Read one resource; one that cannot be read and could not matter is listed instead."""
        try:
            return with_reader()
        except Unreadable as fault:
            if may_matter(entry, self.reading):
                raise
            self.reading.notes.unread(entry.path, f"it cannot be read: {fault.message}")
            return None

    def with_notes(self, notes: Notes) -> "Opened":
        """The same, with its notes kept apart."""
        return replace(self, reading=self.reading.with_notes(notes))

    def admits(self, entry: Entry) -> bool:
        """Whether it may be read; what may not is refused, asked about or listed."""
        notes = self.reading.notes
        foreign = check_type(entry.kind, self.reading.shape, entry.path)
        if foreign:
            notes.unread(entry.path, foreign)
            return False
        if entry.kind in _HOLD_OTHERS:
            raise Unreadable(
                ReadCategory.NOT_SUPPORTED,
                entry.path,
                f"a {entry.kind} inside the record is not opened: send what it holds as entries",
            )
        if entry.kind in _READ:
            refuse_implicit_rules(entry.resource, entry.path)
            self._check_subject(entry)
            if not self.read(entry, lambda: self._is_of_this_version(entry)):
                return False
        if entry.kind == "OperationOutcome" and is_grave(entry.resource):
            words = "The sender says that something went wrong while gathering the record."
            notes.ask(Asked(entry.path, f"{words} Is every medicine in it?", Asks.WHOLE))
        elif entry.kind in _COULD_MATTER:
            notes.unread(entry.path, f"{entry.kind}: {_COULD_MATTER[entry.kind]}")
        return True

    def _is_of_this_version(self, entry: Entry) -> bool:
        check_version(entry.resource, entry.kind, self.reading.shape, entry.path)
        return True

    def _check_subject(self, entry: Entry) -> None:
        """Whose it is: what says nothing is this patient's only where nothing else says it either.

        A record that was written by hand names nobody; of one that names its patient, a resource
        that does not may have come from elsewhere.
        """
        element = _NAMES_ITS_PATIENT.get(entry.kind)
        if element is None or not _may_be_read(entry):
            return
        try:
            subject = msgspec.convert(entry.resource.get(element, {}), Reference)
        except msgspec.ValidationError:
            return  # the resource as a whole is looked at later
        expression = f"{entry.path}.{element}"
        if _says_whose(subject):
            self.identity.check(subject, entry, expression)
        elif self.names_its_patient and may_matter(entry, self.reading):
            self.reading.notes.ask(Asked(expression, _WHOSE, Asks.WHOSE))


class Look(TypedDict):
    """How a record is looked at: the parameters of `open_record` beside the bundle."""

    version: FhirVersion
    as_of: date
    codes: CodeTables
    preparations: Mapping[str, Preparation]
    root: NotRequired[str]
    most_resources: NotRequired[int | None]
    settled: NotRequired[Vouched]
    zone: NotRequired[ZoneInfo | None]


def open_record(bundle: dict[str, Any], **look: Unpack[Look]) -> Opened:
    """Open a record as of one day.

    Parameters
    ----------
    bundle : a decoded Bundle, its numbers `int` or `Decimal` (see `json.parse`)
    version : the FHIR version that it is of
    as_of : the day on which it is read
    codes, preparations : the tables
    root : FHIRPath of the bundle in the input
    most_resources : a record of more is refused; ``None`` for no bound
    settled : what the caller has answered of it
    zone : of the place where it is read, where that is known

    Raises
    ------
    Unreadable
        where the input as a whole is unusable.
    """
    root, as_of, shape = look.get("root", "Bundle"), look["as_of"], SHAPES[look["version"]]
    most_resources = look.get("most_resources", MOST_RESOURCES)
    entries = bundle.get("entry")
    refuse_resources_above(len(entries) if isinstance(entries, list) else 0, most_resources, root)
    index = BundleIndex(bundle, root)
    patient = the_patient(index, root)
    notes = Notes(settled=look.get("settled", NOTHING_VOUCHED))
    notes.use(patient.path, patient.reference)
    for element, question in signs_of_more(bundle, matches_in(bundle)):
        notes.ask(Asked(f"{root}.{element}", question, Asks.WHOLE))
    refuse_implicit_rules(patient.resource, patient.path)
    check_version(patient.resource, patient.kind, shape, patient.path)
    codes, preparations, zone = look["codes"], look["preparations"], look.get("zone")
    reading = Reading(index, patient, codes, preparations, shape, as_of, notes, zone=zone)
    person = read_person(patient, as_of, notes)
    named = any(map(_is_somebodys, index.entries))
    return Opened(reading, person, Identity(index, patient), named)


def _is_somebodys(entry: Entry) -> bool:
    said = entry.resource.get(_NAMES_ITS_PATIENT.get(entry.kind, ""))
    return isinstance(said, dict) and any(said.get(name) for name in _WAYS_TO_NAME)


_WAYS_TO_NAME = ("reference", "identifier", "display")


def _says_whose(subject: Reference) -> bool:
    return bool(subject.reference or subject.identifier or subject.display)
