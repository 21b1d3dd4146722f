"""The answer to a request for a switch, as one Bundle: how it ends, why, and made from what."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from crossgrain.core.proposal import Outcome, Proposal
from crossgrain.dosing.plan import Plan
from crossgrain.names.identity import MODULE_CANONICAL, SERVICE_NAME, FhirVersion, urn
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.question_form import QuestionForm
from crossgrain.words.doses import CAUTION
from crossgrain.writing.care_plan import (
    Contents,
    Digest,
    care_plan,
    comparison_table,
    digest_of,
    findings_block,
    next_summary,
)
from crossgrain.writing.checkpoint import optional, options, request_group
from crossgrain.writing.checks import check_requests
from crossgrain.writing.elements import bullets, heading, narrative, paragraph, plain
from crossgrain.writing.filed_acts import changed_acts, named_in_answer
from crossgrain.writing.forms import to_r5
from crossgrain.writing.going_on import GoingOn
from crossgrain.writing.issues import detected_issues, operation_outcome
from crossgrain.writing.lab_requests import service_requests
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, letterhead_for, to_confirm
from crossgrain.writing.orders import (
    dated_acts,
    ended_orders,
    medication_requests,
    series_tasks,
    waiting_orders,
)
from crossgrain.writing.questionnaire import answered_words, data_requirement, questionnaires
from crossgrain.writing.rationale import rationale

PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


def device(letter: Letterhead) -> Resource:
    """The service itself, to be contained."""
    return {
        "resourceType": "Device",
        "id": "service",
        "deviceName": [{"name": SERVICE_NAME, "type": "user-friendly-name"}],
        "type": {"text": "clinical decision support software"},
        "version": [{"value": letter.service_version}],
    }


def provenance(letter: Letterhead, proposed: Iterable[Resource]) -> Resource:
    """Every resource that is proposed or changed as target, every resource read as entity."""
    targets = [urn(resource["id"]) for resource in proposed]
    targets += map(named_in_answer, letter.going_on.acts if letter.going_on else ())
    record = letter.proposal.record
    words = (
        f"Computed by {SERVICE_NAME} {letter.service_version} from the record as read on"
        f" {letter.authored}: {', '.join(record.references) or 'no resource'}."
    )
    coding = {"system": PARTICIPANT, "code": "assembler", "display": "Assembler"}
    body: Resource = {
        "resourceType": "Provenance",
        "id": letter.id_of("Provenance"),
        "text": narrative(paragraph(words)),
        "contained": [device(letter)],
        "target": [{"reference": target} for target in targets],
        "recorded": letter.instant,
        "agent": [{"type": {"coding": [coding]}, "who": {"reference": "#service"}}],
    }
    sources = (*record.references, *(named for named, _ in record.testimony.sources))
    if sources:
        body["entity"] = [
            {"role": "source", "what": {"reference": reference}}
            for reference in dict.fromkeys(sources)
        ]
    return body


STATUS = {
    Outcome.PLAN: "success",
    Outcome.STOP: "success",  # the module ran; it found that nothing may be proposed yet
    Outcome.DATA_REQUIRED: "data-required",
}
_CONCLUSIONS = {
    Outcome.DATA_REQUIRED: "No dose is computed: the questions below must be answered first.",
    Outcome.STOP: "No series is proposed: what is marked STOP must be settled first.",
}
"""How the answer ends without a plan."""


def guidance_response(letter: Letterhead, digest: Digest | None) -> Resource:
    """Status, result, the contained findings and the contained working.

    `digest` is the plan in short, where there is one.
    """
    says = concluded(letter, digest)
    text = _narrative(letter, says, digest)
    body = guidance_head(letter, "GuidanceResponse", (says, text), rationale(letter))
    if letter.plan:
        stands = letter.going_on.result if letter.going_on else ""
        body["result"] = {"reference": stands or letter.care_plan_urn}
    return body


def guidance_head(
    letter: Letterhead, what: str, in_words: tuple[str, dict[str, str]], working: Resource
) -> Resource:
    """Whose it is, how it ended, and its contained findings and working.

    `what` names it; `in_words` is how it ended, and the narrative.
    """
    says, text = in_words
    body = letter.head("GuidanceResponse", what, text)
    body["contained"] = [operation_outcome(letter), working, device(letter)]
    body["moduleCanonical"] = f"{MODULE_CANONICAL}|{letter.service_version}"
    body["status"] = STATUS[letter.proposal.outcome]
    body["subject"] = letter.patient
    if letter.encounter:
        body["encounter"] = {"reference": letter.encounter}
    body["occurrenceDateTime"] = letter.authored
    body["performer"] = {"reference": "#service"}
    body["note"] = letter.notes(says, waits=letter.any_waits)
    body["evaluationMessage"] = [{"reference": "#outcome"}]
    if letter.form:
        body["dataRequirement"] = [data_requirement(posed) for posed in letter.form.posed]
    body["outputParameters"] = {"reference": f"#{working['id']}"}
    return body


def concluded(letter: Letterhead, digest: Digest | None) -> str:
    """How the answer ends, in words; `digest` is the plan in short, where there is one."""
    if digest:
        return digest.summary
    if letter.going_on is None:
        return _CONCLUSIONS[letter.proposal.outcome]
    return plain(next_summary(letter))


def _narrative(letter: Letterhead, concluded: str, digest: Digest | None) -> dict[str, str]:
    record = letter.proposal.record
    questions = [f"{question.question} ({question.expression})" for question in record.questions]
    answered = record.testimony.confirmed
    return narrative(
        paragraph(CAUTION),
        paragraph(concluded),
        heading("Questions") + bullets(questions) if questions else "",
        heading("Answered") + bullets(map(answered_words, answered)) if answered else "",
        digest.findings if digest else findings_block(letter),
        bullets(map(to_confirm, record.confirm)),
        _working(letter.plan, digest) if letter.plan and digest else "",
    )


def _working(plan: Plan, digest: Digest) -> str:
    statements = (
        f"{statement.title.removesuffix('.')}: {statement.arithmetic} ({statement.source})"
        for statement in plan.rationale
    )
    return "".join(
        (
            heading("Every basis side by side"),
            comparison_table(plan.comparison),
            heading("Modelled hormone during the move"),
            digest.forecasts,
            heading("Rationale"),
            bullets(statements),
        )
    )


_ORDER = {
    "CarePlan": 0,
    "MedicationRequest": 1,
    "ServiceRequest": 2,
    "Task": 3,
    "RequestGroup": 4,
}


def answer_bundle(
    proposal: Proposal,
    *,
    version: FhirVersion,
    service_version: str,
    codes: CodeTables,
    going_on: GoingOn | None = None,
    form: QuestionForm | None = None,
) -> dict[str, Any]:
    """Write a proposal as a `collection` Bundle, the GuidanceResponse first.

    Parameters
    ----------
    proposal : what the service made of the record
    version : the FHIR version to write
    service_version : our own version, named in the module's canonical and the Device
    codes : verified codes of the products
    going_on : what a next step goes on from; ``None`` for a first proposal
    form : what the record leaves open, where it leaves anything open

    Returns
    -------
    A tree of dicts, lists, strings, ints, bools and `Decimal`; the same proposal gives the
    same tree, and no float is in it.
    """
    letter = letterhead_for(proposal, service_version, codes, going_on, form)
    plan = letter.plan
    digest = digest_of(letter, plan) if plan else None
    resources = [guidance_response(letter, digest)]
    if plan and digest and _is_written(letter):
        resources += _planned(letter, plan, digest)
    else:
        resources += acts(letter)
    resources += detected_issues(letter)
    resources += questionnaires(letter)
    resources.append(provenance(letter, resources))
    changed = tuple(changed_acts(letter, version))
    return collection(letter, "Bundle", resources, version, changed)


def collection(
    letter: Letterhead,
    what: str,
    resources: list[Resource],
    version: FhirVersion,
    changed: Sequence[Resource] = (),
) -> Resource:
    """The resources of one answer, in a version; `what` names the Bundle.

    `changed` are entries of what is filed already, in that version; the Provenance stays the last.
    """
    if version is FhirVersion.R5:
        resources = [to_r5(resource) for resource in resources]
    entries = [{"fullUrl": urn(resource["id"]), "resource": resource} for resource in resources]
    lead, *others = entries
    sources = letter.proposal.record.testimony.sources
    answered = [{"fullUrl": named, "resource": dict(source)} for named, source in sources]
    return {
        "resourceType": "Bundle",
        "id": letter.id_of(what),
        "type": "collection",
        "timestamp": letter.instant,
        "entry": [lead, *answered, *others[:-1], *changed, *others[-1:]],
    }


def _is_written(letter: Letterhead) -> bool:
    """Whether the answer holds its plan, and not only names the one that stands."""
    return letter.plan is not None and not (letter.going_on and letter.going_on.result)


def acts(letter: Letterhead) -> Iterator[Resource]:
    """The Tasks of the series: orders to end, and what else is to be done on a day."""
    if letter.plan and _is_written(letter):
        yield from series_tasks(letter, letter.plan.steps, letter.series)
        yield from dated_acts(letter)
    else:
        yield from ended_orders(letter)
        yield from waiting_orders(letter)


def _planned(letter: Letterhead, plan: Plan, digest: Digest) -> list[Resource]:
    series = letter.series
    choices = tuple(options(letter, plan.checkpoint))
    activities = (
        *medication_requests(letter, SERIES, series, plan.prescriptions),
        *service_requests(letter, plan.labs),
        *check_requests(letter, SERIES),
        *acts(letter),
        request_group(letter, plan, choices),
    )
    tied = care_plan(letter, Contents(plan, digest, series, activities, choices))
    return sorted((tied, *activities, *optional(choices)), key=_place)


def _place(resource: Resource) -> int:
    return _ORDER[resource["resourceType"]]
