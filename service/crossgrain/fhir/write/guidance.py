"""The GuidanceResponse: how the answer ends, and why."""

from crossgrain.dosing.plan import Plan
from crossgrain.fhir.identity import MODULE_CANONICAL
from crossgrain.fhir.proposal import Outcome
from crossgrain.fhir.write.care_plan import summary
from crossgrain.fhir.write.issues import operation_outcome
from crossgrain.fhir.write.letterhead import SERIES, Letterhead, Resource, to_confirm
from crossgrain.fhir.write.narrative import bullets, heading, narrative, paragraph, plain
from crossgrain.fhir.write.plan_words import comparison_table, findings_block, forecast_list
from crossgrain.fhir.write.provenance import device
from crossgrain.fhir.write.rationale import rationale
from crossgrain.fhir.write.words import CAUTION

STATUS = {
    Outcome.PLAN: "success",
    Outcome.STOP: "success",  # the module ran; it found that nothing may be proposed yet
    Outcome.DATA_REQUIRED: "data-required",
}


def guidance_response(letter: Letterhead) -> Resource:
    """Status, result, the contained findings and the contained working."""
    outcome = letter.proposal.outcome
    concluded = plain(conclusion(letter))
    body = letter.head("GuidanceResponse", "GuidanceResponse", _narrative(letter, concluded))
    body["contained"] = [operation_outcome(letter), rationale(letter), device(letter)]
    body["moduleCanonical"] = f"{MODULE_CANONICAL}|{letter.service_version}"
    body["status"] = STATUS[outcome]
    body["subject"] = letter.patient
    if letter.encounter:
        body["encounter"] = {"reference": letter.encounter}
    body["occurrenceDateTime"] = letter.authored
    body["performer"] = {"reference": "#service"}
    body["note"] = [{"text": concluded}, *letter.notes(SERIES)]
    body["evaluationMessage"] = [{"reference": "#outcome"}]
    body["outputParameters"] = {"reference": "#rationale"}
    if letter.plan:
        body["result"] = {"reference": letter.care_plan_urn}
    return body


def conclusion(letter: Letterhead) -> str:
    """How the answer ends, in one or two sentences."""
    match letter.proposal.outcome:
        case Outcome.DATA_REQUIRED:
            return "No dose is computed: the questions below must be answered first."
        case Outcome.STOP:
            return "No series is proposed: what is marked STOP must be settled first."
        case Outcome.PLAN:
            return summary(letter, letter.plan) if letter.plan else ""


def _narrative(letter: Letterhead, concluded: str) -> dict[str, str]:
    record = letter.proposal.record
    questions = [f"{question.question} ({question.expression})" for question in record.questions]
    return narrative(
        paragraph(CAUTION),
        paragraph(concluded),
        heading("Questions") + bullets(questions) if questions else "",
        findings_block(letter),
        bullets(map(to_confirm, record.confirm)),
        _working(letter, letter.plan) if letter.plan else "",
    )


def _working(letter: Letterhead, plan: Plan) -> str:
    statements = (
        f"{statement.title}: {statement.arithmetic} ({statement.source})"
        for statement in plan.rationale
    )
    return "".join(
        (
            heading("Every basis side by side"),
            comparison_table(plan),
            heading("Modelled hormone during the move"),
            forecast_list(letter, plan),
            heading("Rationale"),
            bullets(statements),
        )
    )
