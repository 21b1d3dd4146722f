"""StructureDefinitions of what is read and of what is written: profiles of core resources.

Those of what is read ask for no more than the reader does, and mark the elements at which it looks.
Those of what is written hold what a receiver may rely on. Their differentials stand here; each
snapshot is made from the core definitions of FHIR by a script of the conformance tests and ships in
``snapshots/``, so that nothing of FHIR's own need be at hand.

https://hl7.org/fhir/R4/profiling.html
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

import msgspec
import orjson

from crossgrain.app.conformance.definitions import Resource, head
from crossgrain.names.identity import (
    FINDING_SYSTEM,
    MODULE_CANONICAL,
    PLAN_SYSTEM,
    RESOURCE_SYSTEM,
    FhirVersion,
    canonical,
)
from crossgrain.names.series_extension import SERIES_URL
from crossgrain.reading import views
from crossgrain.reading.shapes import SHAPES
from crossgrain.writing.elements import table
from crossgrain.writing.issues import SCREENING_SYSTEM

_CORE = "http://hl7.org/fhir/StructureDefinition"
RESULTS_ID = "read-results"
"""The value set of the codes by which a result is read."""
FLAG_ID = "screening-flag"
"""The profile of what the screening writes; every other of what is written is of an answer."""


@dataclass(frozen=True, slots=True)
class ElementRule:
    """What a profile asks of one element.

    Attributes
    ----------
    element : its path below the resource, in FHIR's own form
    short : what it holds
    least, most : how often it stands; as in the core definition where left out
    more : further parts of its ElementDefinition
    """

    element: str
    short: str
    least: int | None = None
    most: str | None = None
    more: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Profile:
    """One profile: the type that it is of, and what it asks.

    `constraint` is what no single element can say, in FHIRPath and in words.
    """

    id: str
    type: str
    title: str
    description: str
    rules: tuple[ElementRule, ...]
    constraint: tuple[str, str] | None = None

    @property
    def url(self) -> str:
        """Its canonical."""
        return canonical("StructureDefinition", self.id)


def profiles(version: FhirVersion) -> tuple[Profile, ...]:
    """Every profile of a version, first those of what is read."""
    return (*_read(version), *_written(version))


def outline(profile: Profile, version: FhirVersion) -> Resource:
    """The StructureDefinition without its elements, which `whole` adds: they are large, and few
    who call a deployment ever ask for them."""
    rows = ((d.element, _times(d), d.short) for d in profile.rules)
    asked = table(("Element", "Times", "Holds"), rows)
    body = head("StructureDefinition", profile.id, profile.title, profile.description, asked)
    return body | {
        "fhirVersion": version.number,
        "kind": "resource",
        "abstract": False,
        "type": profile.type,
        "baseDefinition": f"{_CORE}/{profile.type}",
        "derivation": "constraint",
    }


def _times(rule: ElementRule) -> str:
    least = "" if rule.least is None else str(rule.least)
    return f"{least}..{rule.most or ''}" if least or rule.most else "any"


def whole(definition: Resource, version: FhirVersion) -> Resource:
    """A definition with all of its elements; any but a StructureDefinition is whole already."""
    if definition["resourceType"] != "StructureDefinition":
        return definition
    made = files("crossgrain.app.conformance") / "snapshots" / version / f"{definition['id']}.json"
    elements: list[Resource] = orjson.loads(made.read_bytes())
    order = {element["id"]: number for number, element in enumerate(elements)}
    differential = sorted(differential_of(definition, version), key=lambda e: order[e["id"]])
    return definition | {
        "snapshot": {"element": elements},
        "differential": {"element": differential},
    }


def differential_of(definition: Resource, version: FhirVersion) -> Iterable[Resource]:
    """What a StructureDefinition of ours adds to the core definition."""
    given: dict[str, list[Resource]] | None = definition.get("differential")
    if given:
        return given["element"]
    (profile,) = (each for each in profiles(version) if each.id == definition["id"])
    return _laid_on_core(profile)


def _laid_on_core(profile: Profile) -> Iterator[Resource]:
    root: Resource = {"id": profile.type, "path": profile.type, "short": profile.title}
    root["definition"] = profile.description
    if profile.constraint:
        expression, words = profile.constraint
        root["constraint"] = [
            {
                "key": f"{profile.id}-1",
                "severity": "error",
                "human": words,
                "expression": expression,
                "source": profile.url,
            }
        ]
    yield root
    for rule in profile.rules:
        yield _element(f"{profile.type}.{rule.element}", rule)


def _element(own_id: str, rule: ElementRule) -> Resource:
    body: Resource = {"id": own_id, "path": re.sub(r":[^.]+", "", own_id)}
    if ":" in own_id.rpartition(".")[2]:
        body["sliceName"] = own_id.rpartition(":")[2]
    if rule.short:
        body["short"] = rule.short
    if rule.least is not None:
        body["min"] = rule.least
    if rule.most is not None:
        body["max"] = rule.most
    return body | dict(rule.more)


# --- what is read ------------------------------------------------------------------------------

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
    FhirVersion.R4: frozenset({"reason", "renderedDosageInstruction", "statusChanged"}),
    FhirVersion.R5: frozenset({"reasonCode", "reasonReference"}),
}
"""Elements of the other version that are looked at without being refused."""
_BESIDE = frozenset({"resourceType", "id", "extension", "language", "contained", "taken"})
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


def _read(version: FhirVersion) -> Iterator[Profile]:
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
    named = [f.encode_name for f in msgspec.structs.fields(seen) if f.encode_name not in foreign]
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


# --- what is written ---------------------------------------------------------------------------


def _code(element: str, code: str, short: str) -> ElementRule:
    return ElementRule(element, short, 1, more={"patternCode": code})


def _of_system(element: str, system: str, short: str) -> ElementRule:
    return ElementRule(element, short, 1, more={"patternUri": system})


def _named() -> tuple[ElementRule, ...]:
    return (
        ElementRule(
            "identifier", "Its business identifier, by which it is found again once filed", 1
        ),
        _of_system("identifier.system", RESOURCE_SYSTEM, "The system of these identifiers"),
        ElementRule("identifier.value", "Its id in the answer", 1),
    )


def _grouped(element: str) -> tuple[ElementRule, ...]:
    return (
        ElementRule(element, "The plan that it is part of", 1),
        _of_system(f"{element}.system", PLAN_SYSTEM, "The system of plans"),
        ElementRule(f"{element}.value", "The plan", 1),
    )


def _marked_as_ours() -> tuple[ElementRule, ...]:
    by_url = {"discriminator": [{"type": "value", "path": "url"}], "rules": "open"}
    held = {"type": [{"code": "Extension", "profile": [SERIES_URL]}]}
    return (
        ElementRule("extension", "Extensions", 1, more={"slicing": {**by_url, "ordered": False}}),
        ElementRule("extension:series", "Which plan and step it is part of", 1, "1", held),
        ElementRule("extension:series.url", "Its name", more={"fixedUri": SERIES_URL}),
    )


_DRAFT = _code("status", "draft", "A draft: nothing here is in force until a prescriber files it")
_PROPOSAL = _code("intent", "proposal", "A proposal")
_EITHER = "intent = 'proposal' or intent = 'option'"
_EITHER_WORDS = "It is a proposal, or one of the options of the checkpoint."
_AUTHORED = ElementRule("authoredOn", "The day as of which the record was read", 1)
_SAID = ElementRule("note", "What is said of it, the caution to the prescriber last", 1)
_DEPENDS = ElementRule("basedOn", "The care plan of the answer", 1)


def _written(version: FhirVersion) -> Iterator[Profile]:
    r5 = version is FhirVersion.R5
    yield _guidance()
    yield _plan("plannedActivityReference" if r5 else "reference", r5)
    yield _order("medication" if r5 else "medication[x]", r5)
    yield _measurement()
    yield _task("requestedPeriod" if r5 else "restriction.period")
    yield _checkpoint("RequestOrchestration" if r5 else "RequestGroup")
    yield _finding("subject" if r5 else "patient")
    yield _provenance()
    yield _form("coding" if r5 else "choice")
    yield _flag("subject" if r5 else "patient")


def _guidance() -> Profile:
    return Profile(
        "switch-guidance",
        "GuidanceResponse",
        "How a call ended",
        "The first entry of every answer: a plan, a stop, or questions, with findings and rationale"
        " as contained resources.",
        (
            *_named(),
            ElementRule("module[x]", "The plan definition, with its version", more=_CANONICAL),
            ElementRule("subject", "The patient", 1),
            ElementRule("occurrenceDateTime", "The day as of which the record was read", 1),
            ElementRule("performer", "The service, contained", 1),
            ElementRule("outputParameters", "The rationale, contained", 1),
            _SAID,
        ),
        (
            f"module.startsWith('{MODULE_CANONICAL}|') and"
            " (status = 'success' or status = 'data-required') and"
            " (status = 'success' or result.empty())",
            "It is of our plan definition, and where data are required there is no result.",
        ),
    )


_CANONICAL = {"type": [{"code": "canonical"}]}


def _plan(activity: str, r5: bool) -> Profile:
    detail = (
        () if r5 else (ElementRule("activity.detail", "None: every activity is a request", 0, "0"),)
    )
    return Profile(
        "proposed-plan",
        "CarePlan",
        "Proposed plan",
        "Ties the proposed series together.",
        (
            *_marked_as_ours(),
            *_named(),
            ElementRule("instantiatesCanonical", "The plan definition, with its version", 1, "1"),
            _DRAFT,
            _PROPOSAL,
            ElementRule("title", "From what to what", 1),
            ElementRule("description", "The plan in two sentences", 1),
            ElementRule("period", "From the first day to the last of the hold", 1),
            ElementRule("period.start", "The first day", 1),
            ElementRule("period.end", "The last day of the hold", 1),
            ElementRule("created", "The day as of which the record was read", 1),
            ElementRule("activity", "The requests of the series and its checkpoint", 1),
            ElementRule(f"activity.{activity}", "The request", 1),
            *detail,
            _SAID,
        ),
    )


def _order(medication: str, r5: bool) -> Profile:
    concept = () if r5 else (ElementRule(medication, "The product", more=_CONCEPT),)
    inside = (ElementRule("medication.concept", "The product", 1),) if r5 else ()
    return Profile(
        "proposed-order",
        "MedicationRequest",
        "Proposed order",
        "One product in one strength for one dispensing period.",
        (
            *_marked_as_ours(),
            *_named(),
            _DEPENDS,
            *_grouped("groupIdentifier"),
            _DRAFT,
            ElementRule("doNotPerform", "None: what ends is said by a task", most="0"),
            *concept,
            *inside,
            _AUTHORED,
            _SAID,
            ElementRule("dosageInstruction", "One for each dose, with its dates", 1),
            ElementRule("dosageInstruction.text", "The instruction as the patient reads it", 1),
            ElementRule("dosageInstruction.timing", "When", 1),
            ElementRule("dosageInstruction.timing.repeat", "From which day to which, how often", 1),
            ElementRule(
                "dosageInstruction.timing.repeat.bounds[x]", "First and last day", 1, more=_PERIOD
            ),
            ElementRule("dosageInstruction.timing.repeat.frequency", "How often", 1),
            ElementRule("dosageInstruction.doseAndRate", "The dose as ordered, and as computed", 1),
            ElementRule("dosageInstruction.doseAndRate.dose[x]", "The dose", 1, more=_QUANTITY),
            ElementRule("dispenseRequest", "What is fetched", 1),
            ElementRule("dispenseRequest.quantity", "How many tablets", 1),
            ElementRule("dispenseRequest.expectedSupplyDuration", "How long they last", 1),
            ElementRule("substitution", "Whether the pharmacy may substitute", 1),
        ),
        (_EITHER, _EITHER_WORDS),
    )


_CONCEPT = {"type": [{"code": "CodeableConcept"}]}
_PERIOD = {"type": [{"code": "Period"}]}
_QUANTITY = {
    "type": [{"code": "Quantity", "profile": [f"{_CORE}/SimpleQuantity"]}],
}


def _measurement() -> Profile:
    return Profile(
        "proposed-measurement",
        "ServiceRequest",
        "Proposed measurement",
        "A blood draw, or another measurement that the plan waits for.",
        (
            *_named(),
            _DEPENDS,
            *_grouped("requisition"),
            _DRAFT,
            ElementRule("doNotPerform", "None", most="0"),
            ElementRule("code", "What is measured", 1),
            ElementRule("occurrence[x]", "When", 1),
            _AUTHORED,
            _SAID,
        ),
        (_EITHER, _EITHER_WORDS),
    )


def _task(period: str) -> Profile:
    outer = period.rpartition(".")[0]
    around = (ElementRule(outer, "When", 1),) if outer else ()
    return Profile(
        "proposed-task",
        "Task",
        "Proposed task",
        "Ends an order that stands, or asks somebody to act.",
        (
            *_named(),
            _DEPENDS,
            *_grouped("groupIdentifier"),
            _DRAFT,
            ElementRule("code", "What is done", 1),
            ElementRule("description", "The same in words", 1),
            ElementRule("for", "The patient", 1),
            _AUTHORED,
            *around,
            ElementRule(period, "From which day", 1),
            ElementRule(f"{period}.start", "The day", 1),
            _SAID,
        ),
        (_EITHER, _EITHER_WORDS),
    )


def _checkpoint(kind: str) -> Profile:
    return Profile(
        "checkpoint",
        kind,
        "Checkpoint",
        "What is done once the labs are in: exactly one of its options.",
        (
            *_named(),
            _DEPENDS,
            *_grouped("groupIdentifier"),
            _DRAFT,
            _PROPOSAL,
            ElementRule("subject", "The patient", 1),
            _AUTHORED,
            _SAID,
            ElementRule("action", "The checkpoint", 1, "1"),
            ElementRule("action.description", "When it is, and what is asked about", 1),
            ElementRule("action.timing[x]", "The day of the decision", 1),
            _code("action.selectionBehavior", "exactly-one", "One option is taken"),
            ElementRule("action.action", "The options", 1),
        ),
        (
            "action.action.all(title.exists() and action.exists() and condition.exists("
            "kind = 'applicability' and expression.language = 'text/fhirpath' and"
            " expression.description.exists()))",
            "Every option has a title, what is then done, and its condition in FHIRPath and words.",
        ),
    )


def _finding(subject: str) -> Profile:
    return Profile(
        "safety-finding",
        "DetectedIssue",
        "Safety finding",
        "What a safety rule found in the record or in the plan.",
        (
            *_named(),
            _code("status", "preliminary", "Not yet looked at by anyone"),
            ElementRule("code", "The rule", 1),
            ElementRule("code.coding", "The rule, in our code system", 1, "1"),
            _of_system("code.coding.system", FINDING_SYSTEM, "The code system of findings"),
            ElementRule("severity", "high: stop; moderate: hold; low: note", 1),
            ElementRule(subject, "The patient", 1),
            ElementRule("identified[x]", "The day as of which the record was read", 1),
            ElementRule("evidence", "What it rests on, and the source of the rule", 1),
            ElementRule("detail", "What was found", 1),
        ),
    )


def _provenance() -> Profile:
    return Profile(
        "plan-provenance",
        "Provenance",
        "Where an answer comes from",
        "Every resource of the answer as target, the service as agent, what was read as entity.",
        (
            ElementRule("recorded", "The start of the day as of which the record was read", 1),
            ElementRule("agent", "The service and its version, contained", 1),
            ElementRule("entity", "What was read", 1),
            ElementRule("entity.what", "The resource", 1),
        ),
        (
            "target.count() = target.reference.distinct().count()",
            "No target is named twice.",
        ),
    )


def _form(choice: str) -> Profile:
    by_choice = f"(type = '{choice}' and answerOption.exists())"
    return Profile(
        "record-questions",
        "Questionnaire",
        "Questions about a record",
        "What must be answered before a dose can be computed, as a form. Who answers it sends a"
        " QuestionnaireResponse that names it, with the record.",
        (
            *_named(),
            ElementRule("url", "Its name: over the questions, what they ask about, the patient", 1),
            ElementRule("title", "What it is for", 1),
            _code("status", "active", "It can be answered"),
            ElementRule("subjectType", "The patient of the record", 1, "1"),
            ElementRule("date", "The day as of which the record was read", 1),
            ElementRule("item", "One for each question", 1),
            ElementRule("item.text", "What is asked", 1),
            ElementRule("item.answerOption.value[x]", "A possible answer", more=_CODING),
        ),
        (
            "url.startsWith('urn:uuid:') and subjectType = 'Patient' and"
            f" item.all(type = 'display' or type = 'integer' or {by_choice}) and"
            " item.answerOption.value.all(system = %resource.url) and"
            " item.item.all(type = 'display' or (type = 'quantity' and enableWhen.exists()))",
            "Its name is a URN, and it is about a patient. A question is answered by one of its"
            " choices, in its own code system, or by a number, or is words alone; a dose is asked"
            " for where no choice fits.",
        ),
    )


_CODING = {"type": [{"code": "Coding"}]}


def _flag(subject: str) -> Profile:
    return Profile(
        FLAG_ID,
        "DetectedIssue",
        "Flag of the screening",
        "What the screening found about a past switch, or about a plan that waits for somebody.",
        (
            *_named(),
            ElementRule("code", "What was found", 1),
            ElementRule("code.coding", "The same, in our code system", 1, "1"),
            _of_system("code.coding.system", SCREENING_SYSTEM, "The code system of the screening"),
            ElementRule("severity", "high: confirmed, or urgent; low: suspected", 1),
            ElementRule(subject, "The patient", 1),
            ElementRule("identified[x]", "The day on which it was first found", 1),
            ElementRule("evidence", "How sure it is, then what it rests on", 1),
            ElementRule("detail", "What was found, and what to do", 1),
        ),
        (
            "(status = 'preliminary') != mitigation.exists() and"
            f" evidence.first().code.coding.where(system = '{SCREENING_SYSTEM}').exists()",
            "Nobody has looked at it yet, or it says why it was closed; its grade stands first.",
        ),
    )


def supported(version: FhirVersion) -> Mapping[str, list[str]]:
    """By type, the canonicals of its profiles."""
    return _by_type(profiles(version))


def _by_type(every: Iterable[Profile]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for profile in every:
        found.setdefault(profile.type, []).append(profile.url)
    return found
