"""The profiles of what is written: what a receiver may rely on in an answer, and in a flag."""

from collections.abc import Iterator

from crossgrain.app.conformance.profiling import CORE, ElementRule, Profile
from crossgrain.names.identity import (
    FINDING_SYSTEM,
    MODULE_CANONICAL,
    PLAN_SYSTEM,
    RESOURCE_SYSTEM,
    FhirVersion,
)
from crossgrain.names.series_extension import SERIES_URL
from crossgrain.writing.issues import SCREENING_SYSTEM

FLAG_ID = "screening-flag"
"""The profile of what the screening writes; every other of what is written is of an answer."""
CHANGED_TASK_ID = "changed-task"
"""The profile of a task that an answer changes; every other of an answer is of what is new."""


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


def written_profiles(version: FhirVersion) -> Iterator[Profile]:
    """One profile for each kind of resource that is written."""
    r5 = version is FhirVersion.R5
    yield _guidance()
    yield _plan("plannedActivityReference" if r5 else "reference", r5)
    yield _order("medication" if r5 else "medication[x]", r5)
    yield _measurement()
    yield _task("requestedPeriod" if r5 else "restriction.period")
    yield _changed_task()
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
    "type": [{"code": "Quantity", "profile": [f"{CORE}/SimpleQuantity"]}],
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


def _changed_task() -> Profile:
    return Profile(
        CHANGED_TASK_ID,
        "Task",
        "Filed task, changed",
        "A task of the plan that was filed to end a medicine on a day: it waits, or another takes"
        " its place. All else of it is as the record has it.",
        (
            *_grouped("groupIdentifier"),
            ElementRule("status", "That it waits, or is not meant any more", 1),
            ElementRule("statusReason", "Which medicine does not end, and until when", 1),
            ElementRule("code", "That its focus ends", 1),
            ElementRule("focus", "What was to end", 1),
            ElementRule("for", "The patient", 1),
        ),
        (
            "status = 'on-hold' or status = 'cancelled'",
            "It is on hold, or cancelled.",
        ),
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
