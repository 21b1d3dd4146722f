"""The GuidanceResponse: how the answer ends, and why."""

from crossgrain.core.proposal import Outcome
from crossgrain.dosing.plan import Plan
from crossgrain.names.identity import MODULE_CANONICAL
from crossgrain.words.doses import CAUTION
from crossgrain.writing.digest import Digest
from crossgrain.writing.issues import operation_outcome
from crossgrain.writing.letterhead import Letterhead, Resource, to_confirm
from crossgrain.writing.narrative import bullets, heading, narrative, paragraph
from crossgrain.writing.plan_words import comparison_table, findings_block
from crossgrain.writing.provenance import device
from crossgrain.writing.rationale import rationale

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
    outcome = letter.proposal.outcome
    concluded = digest.summary if digest else _CONCLUSIONS[outcome]
    text = _narrative(letter, concluded, digest)
    body = letter.head("GuidanceResponse", "GuidanceResponse", text)
    body["contained"] = [operation_outcome(letter), rationale(letter), device(letter)]
    body["moduleCanonical"] = f"{MODULE_CANONICAL}|{letter.service_version}"
    body["status"] = STATUS[outcome]
    body["subject"] = letter.patient
    if letter.encounter:
        body["encounter"] = {"reference": letter.encounter}
    body["occurrenceDateTime"] = letter.authored
    body["performer"] = {"reference": "#service"}
    body["note"] = letter.notes(concluded)
    body["evaluationMessage"] = [{"reference": "#outcome"}]
    body["outputParameters"] = {"reference": "#rationale"}
    if letter.plan:
        body["result"] = {"reference": letter.care_plan_urn}
    return body


def _narrative(letter: Letterhead, concluded: str, digest: Digest | None) -> dict[str, str]:
    record = letter.proposal.record
    questions = [f"{question.question} ({question.expression})" for question in record.questions]
    return narrative(
        paragraph(CAUTION),
        paragraph(concluded),
        heading("Questions") + bullets(questions) if questions else "",
        digest.findings if digest else findings_block(letter),
        bullets(map(to_confirm, record.confirm)),
        _working(letter.plan, digest) if letter.plan and digest else "",
    )


def _working(plan: Plan, digest: Digest) -> str:
    statements = (
        f"{statement.title}: {statement.arithmetic} ({statement.source})"
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
