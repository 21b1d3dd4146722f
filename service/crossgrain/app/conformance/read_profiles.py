"""The profiles of what is read.

They ask for no more than the reader does, and mark the elements at which it looks: those are taken
from the reader's own views.
"""

import re
from collections.abc import Iterator, Mapping

import msgspec

from crossgrain.app.conformance.profiling import ElementRule, Profile
from crossgrain.names.identity import FhirVersion, canonical
from crossgrain.reading import views
from crossgrain.reading.shapes import SHAPES

RESULTS_ID = "read-results"
"""The value set of the codes by which a result is read."""

_SEEN: Mapping[str, tuple[type[msgspec.Struct], str]] = {
    "Patient": (views.Patient, "The one patient of a record."),
    "MedicationStatement": (views.MedicationStatement, "What is taken."),
    "MedicationRequest": (views.MedicationRequest, "What is ordered, drafts too."),
    "Medication": (views.Medication, "What a statement or an order refers to."),
    "Observation": (
        views.Observation,
        "TSH, free T4, free T3 and the other results that are read, by their codes.",
    ),
    "Condition": (views.Condition, "What may speak against a step."),
    "Goal": (views.Goal, "A TSH that is kept low on purpose, a pregnancy that is planned."),
    "AllergyIntolerance": (views.AllergyIntolerance, "What is not tolerated."),
}
"""By type, the elements at which the reader looks."""
_IN_ONE_VERSION: Mapping[FhirVersion, frozenset[str]] = {
    FhirVersion.R4: frozenset(
        {"effectiveDosePeriod", "reason", "renderedDosageInstruction", "statusChanged"}
    ),
    FhirVersion.R5: frozenset(
        {"reasonCode", "reasonReference", "MedicationStatement.statusReason"}
    ),
}
"""Elements of the other version that are looked at without being refused, some of one type."""
_BESIDE = frozenset(
    {
        "resourceType", "id", "extension", "language", "contained", "taken", "_status", "_intent",
    }
)  # fmt: skip
"""Looked at, and of no profile: what every resource has, and an element of an older FHIR."""
_CHOICES = re.compile(
    r"(deceased|effective|medication|onset|reported|value)"
    r"(Boolean|CodeableConcept|DateTime|Instant|Period|Quantity|Reference|String|Timing)"
)
_UNREADABLE = (
    ElementRule(
        "implicitRules", "None: a resource that follows rules of its own is not read", most="0"
    ),
)
_UNMODIFIED = ElementRule(
    "modifierExtension", "None: what an unknown modifier does to the meaning is asked", most="0"
)


def read_profiles(version: FhirVersion) -> Iterator[Profile]:
    """One profile for each type that is read."""
    for kind, (seen, words) in _SEEN.items():
        yield Profile(
            read_id(kind),
            kind,
            f"{kind} as it is read",
            f"{words} Every element may be left out that FHIR lets be left out; what is missing is"
            " asked for, or named as not checked. Elements marked mustSupport are looked at.",
            (*_UNREADABLE, *_looked_at(kind, seen, version)),
        )
    yield Profile(
        read_id("QuestionnaireResponse"),
        "QuestionnaireResponse",
        "QuestionnaireResponse as it is read",
        "Answers to one of our own questionnaires; those to others are not looked at.",
        (
            *_UNREADABLE,
            ElementRule("questionnaire", "The questionnaire that is answered", 1),
            ElementRule("item.linkId", "The question", more=_MARKED),
            ElementRule("item.answer", "What was answered", more=_MARKED),
        ),
    )


_MARKED = {"mustSupport": True}
_BY_THESE_CODES = {
    "mustSupport": True,
    "binding": {"strength": "required", "valueSet": canonical("ValueSet", RESULTS_ID)},
}


def _looked_at(
    kind: str, seen: type[msgspec.Struct], version: FhirVersion
) -> Iterator[ElementRule]:
    foreign = {*SHAPES[version].foreign.get(kind, ()), *_IN_ONE_VERSION[version], *_BESIDE}
    named = [
        name
        for field in msgspec.structs.fields(seen)
        if foreign.isdisjoint({name := field.encode_name, f"{kind}.{name}"})
    ]
    elements = dict.fromkeys(_CHOICES.sub(r"\1[x]", name) for name in named)
    for element in elements:
        if element == "modifierExtension":
            yield _UNMODIFIED
        elif (kind, element) == ("Observation", "code"):
            yield ElementRule(element, "One of the codes that are read", more=_BY_THESE_CODES)
        else:
            yield ElementRule(element, "", more=_MARKED)


def read_id(kind: str) -> str:
    """The id of the profile of a type that is read.

    >>> read_id("MedicationRequest")
    'read-medication-request'
    """
    return "read" + re.sub(r"(?=[A-Z])", "-", kind).lower()
