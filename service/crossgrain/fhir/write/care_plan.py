"""The CarePlan that ties the series together."""

from dataclasses import dataclass

from crossgrain.dosing.plan import Course, Plan
from crossgrain.fhir.identity import MODULE_CANONICAL, urn
from crossgrain.fhir.write.carried_over import beside_the_series, judged_orders
from crossgrain.fhir.write.checkpoint import Option
from crossgrain.fhir.write.letterhead import SERIES, Letterhead, Resource
from crossgrain.fhir.write.narrative import bullets, heading, narrative, paragraph, plain
from crossgrain.fhir.write.plan_words import (
    checkpoint_block,
    dose_table,
    findings_block,
    forecast_list,
    lab_list,
    target_words,
)
from crossgrain.fhir.write.words import CAUTION, TARGET_WORDS, taken


@dataclass(frozen=True, slots=True)
class Contents:
    """What a care plan holds: the plan, its series, and the requests that carry it out."""

    plan: Plan
    courses: tuple[Course, ...]
    activities: tuple[Resource, ...]
    choices: tuple[Option, ...]


def care_plan(letter: Letterhead, contents: Contents) -> Resource:
    """The unconditional series and the checkpoint, as activities of one plan."""
    summed_up = plain(summary(letter, contents.plan))
    body = letter.head("CarePlan", "CarePlan", _narrative(letter, contents, summed_up))
    body["instantiatesCanonical"] = [f"{MODULE_CANONICAL}|{letter.service_version}"]
    body["status"] = "draft"
    body["intent"] = "proposal"
    body["title"] = title(letter, contents.plan)
    body["description"] = summed_up
    body["subject"] = letter.patient
    if letter.encounter:
        body["encounter"] = {"reference": letter.encounter}
    body["period"] = {
        "start": letter.iso(0),
        "end": letter.iso(contents.plan.steps[-1].last_day),
    }
    body["created"] = letter.authored
    supporting = [entry.reference for entry in letter.proposal.record.current]
    supporting += [entry.reference for entry in judged_orders(letter.proposal)]
    supporting += letter.issue_urns
    if supporting:
        body["supportingInfo"] = [{"reference": ref} for ref in dict.fromkeys(supporting)]
    body["activity"] = [
        {"reference": {"reference": urn(activity["id"])}} for activity in contents.activities
    ]
    body["note"] = letter.notes(SERIES, *beside_the_series(letter.proposal))
    return body


def title(letter: Letterhead, plan: Plan) -> str:
    """From what to what."""
    now = taken(letter.proposal.record.regimen) or "no thyroid hormone"
    return f"Move from {now} to {TARGET_WORDS[plan.target]}"


def summary(letter: Letterhead, plan: Plan) -> str:
    """The plan in two sentences."""
    checkpoint = plan.checkpoint
    held = f", held at {target_words(checkpoint.held)}," if checkpoint.held_above else ""
    return (
        f"{title(letter, plan)}, starting on {letter.words(0)}: on the basis {plan.basis_id} the"
        f" target is {target_words(plan.aim)} a day. The dose goes to the checkpoint of"
        f" {target_words(checkpoint.dose)} a day{held} and waits there for labs on"
        f" {letter.words(checkpoint.lab_day)}."
    )


def _narrative(letter: Letterhead, contents: Contents, summed_up: str) -> dict[str, str]:
    tasks = [a["description"] for a in contents.activities if a["resourceType"] == "Task"]
    return narrative(
        paragraph(CAUTION),
        paragraph(summed_up),
        bullets(beside_the_series(letter.proposal)),
        findings_block(letter),
        heading("Doses"),
        dose_table(letter, contents.courses),
        bullets(tasks),
        heading("Blood tests"),
        lab_list(letter, contents.plan.labs),
        checkpoint_block(letter, contents.plan, contents.choices),
        heading("Modelled hormone during the move"),
        forecast_list(letter, contents.plan),
    )
