"""What a record calls the things that a sheet speaks of: a name, its kind, its date, its own words.

A reader at the desk knows a medicine by its name and the day it was written. Where it stands in
the record, as FHIRPath has it, is for who wrote the interface.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from typing import Any

from crossgrain.names.values import frozen
from crossgrain.reading.clear import dosage_list
from crossgrain.reading.reading import resource_of
from crossgrain.reading.record_words import MOST_WORDS, medicine_of, words_of

Resource = Mapping[str, Any]

_KINDS = {
    "AllergyIntolerance": "allergy list",
    "CarePlan": "care plan",
    "Condition": "problem list",
    "DiagnosticReport": "lab report",
    "Goal": "goal",
    "MedicationAdministration": "dose given",
    "MedicationDispense": "pharmacy fill",
    "MedicationRequest": "prescription",
    "MedicationStatement": "medication list",
    "MedicationUsage": "medication list",
    "Observation": "result",
    "OperationOutcome": "message of the server",
    "QuestionnaireResponse": "the patient’s answers",
}
"""Where a prescriber meets each type of resource."""
_DATES = (
    ("authoredOn", "written"),
    ("whenHandedOver", ""),
    ("effectivePeriod.start", "since"),
    ("effectiveDateTime", ""),
    ("dateAsserted", "entered"),
    ("onsetDateTime", "since"),
    ("recordedDate", "entered"),
    ("startDate", "since"),
    ("authored", ""),
    ("issued", ""),
)
"""Elements that date a resource, the one that tells most first, and the word before the date."""
_MEDICINES = re.compile("Medication(Request|Statement|Usage|Dispense|Administration)")
_NAMED_BY = ("code", "description", "vaccineCode", "type")
_STEP = re.compile(r"(\w+)(?:\[(\d+)\])?")
_ENTRY = re.compile(r"entry\[(\d+)\]\.resource$")
_LONGEST_NAME = 120
_MOST_QUOTES = 3


@frozen
class Source:
    """One resource as a reader knows it.

    Attributes
    ----------
    name : of the medicine, the result or the problem; empty where the record gives none
    kind : what it is, e.g. ``prescription``
    dating : the word before its date, or empty
    date : as written in the record, or empty
    words : the record's own, of which is spoken: those at the place, doses, a value
    more : of a medicine, what its notes and instructions say beside
    """

    name: str
    kind: str
    dating: str
    date: str
    words: tuple[str, ...]
    more: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """Name, kind and date in one line, the date as it is written."""
        dated = " ".join(filter(None, (self.dating, self.date)))
        about = ", ".join(filter(None, (self.kind if self.name else "", dated)))
        return f"{self.name or self.kind}{f' ({about})' if about else ''}"


@frozen
class Sources:
    """The resources of a record by their FHIRPath. Build it with `sources_in`.

    Attributes
    ----------
    resources : in the order of the record's entries
    root : FHIRPath of the record
    """

    resources: tuple[Resource, ...] = ()
    root: str = "Bundle"
    _by_address: Mapping[str, Resource] = field(default_factory=dict)

    def of(self, *expressions: str) -> list[Source]:
        """What some places lie in, each resource once; nothing of a place outside the record."""
        by_resource: dict[str, list[str]] = {}
        for expression in filter(None, expressions):
            by_resource.setdefault(resource_of(expression), []).append(expression)
        found = ((path, self._at(path), places) for path, places in by_resource.items())
        return [
            self._source(resource, [place[len(path) :] for place in places])
            for path, resource, places in found
            if resource is not None
        ]

    def _at(self, path: str) -> Resource | None:
        entry = _ENTRY.search(path)
        if entry is None or path[: entry.start() - 1] != self.root:
            return None
        number = int(entry[1])
        return self.resources[number] if number < len(self.resources) else None

    def _source(self, resource: Resource, within: Iterable[str]) -> Source:
        kind = str(resource.get("resourceType", ""))
        dating, date = next(_dates(resource), ("", ""))
        words, more = _quotes(resource, within)
        draft = kind == "MedicationRequest" and resource.get("status") == "draft"
        return Source(
            name=_shortened(self._name(resource)),
            kind="draft order" if draft else _KINDS.get(kind, _spelt(kind)),
            dating=dating,
            date=date,
            words=words[:_MOST_QUOTES],
            more=more[:_MOST_QUOTES],
        )

    def _name(self, resource: Resource) -> str:
        if _MEDICINES.match(str(resource.get("resourceType"))):
            return medicine_of(resource) or self._referred(resource)
        return next(filter(None, (_concept(resource.get(name)) for name in _NAMED_BY)), "")

    def _referred(self, resource: Resource) -> str:
        """The name of a medicine that is a resource of its own, in the record or contained."""
        held = _struct(resource.get("medication"))
        reference = _struct(resource.get("medicationReference") or held.get("reference"))
        address = str(reference.get("reference", ""))
        for inner in _structs(resource.get("contained")):
            if address == f"#{inner.get('id')}":
                return _concept(inner.get("code"))
        return _concept(self._by_address.get(address, {}).get("code"))


NO_SOURCES = Sources()
"""No record at hand: places are then shown by their FHIRPath alone."""


def sources_in(bundle: Resource, root: str) -> Sources:
    """The resources of a Bundle that has been read as a record."""
    entries = [_struct(entry) for entry in _listed(bundle.get("entry"))]
    resources = tuple(_struct(entry.get("resource")) for entry in entries)
    by_address = {}
    for entry, resource in zip(entries, resources, strict=True):
        by_address[f"{resource.get('resourceType')}/{resource.get('id')}"] = resource
        by_address[str(entry.get("fullUrl"))] = resource
    return Sources(resources, root, by_address)


def _dates(resource: Resource) -> Iterator[tuple[str, str]]:
    for path, word in _DATES:
        found = _within(resource, path)
        if isinstance(found, str) and found:
            yield word, _shortened(found)


def _quotes(resource: Resource, within: Iterable[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The words at some places of a resource with its doses or value, and what else it says."""
    places = [_said(_within(resource, path)) for path in within if path]
    medicine = _MEDICINES.match(str(resource.get("resourceType")))
    dosages = _listed(resource.get(dosage_list(resource))) if medicine else []
    doses = [_concept(dosage) for dosage in dosages]
    value = _said(resource.get("valueQuantity") or resource.get("valueString"))
    said = dict.fromkeys(words[:MOST_WORDS] for words in (*places, *doses, value) if words)
    more = [words for words in words_of(resource) if words not in said] if medicine else []
    return tuple(said), tuple(more)


def _within(resource: Resource, path: str) -> object:
    """The element at a path of names and numbers; ``None`` where there is none."""
    found: object = resource
    for name, number in _STEP.findall(path):
        found = _element(_struct(found), name)
        if number:
            listed = _listed(found)
            found = listed[int(number)] if int(number) < len(listed) else None
    return found


def _element(held: Resource, name: str) -> object:
    """An element by its name in FHIRPath, which leaves out the type that JSON adds to a choice."""
    choice = re.compile(f"{name}[A-Z]")
    return held.get(name, next((held[key] for key in held if choice.match(key)), None))


def _said(value: object) -> str:
    """An element in the record's own words and digits, or nothing."""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, Mapping) and "value" in value:
        unit = value.get("unit") or value.get("code")
        parts = (value.get("comparator"), value["value"], unit)
        return " ".join(str(part) for part in parts if part not in (None, ""))
    return _concept(value)


def _concept(value: object) -> str:
    """What a concept, or anything with a text, is called."""
    concept = _struct(value)
    codings = list(_structs(concept.get("coding")))
    said = (
        concept.get("text"),
        *(c.get("display") for c in codings),
        *(c.get("code") for c in codings),
    )
    return next((words for words in said if isinstance(words, str) and words.strip()), "")


def _spelt(name: str) -> str:
    """The name of a type, as words."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST_NAME else f"{text[:_LONGEST_NAME]}…"


def _listed(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _structs(value: object) -> Iterator[Resource]:
    return (one for one in _listed(value) if isinstance(one, Mapping))


def _struct(value: object) -> Resource:
    return value if isinstance(value, Mapping) else {}
