"""The CarePlan that ties the series together."""

from dataclasses import dataclass

from crossgrain.dosing.plan import OrderedCourse, Plan
from crossgrain.names.identity import MODULE_CANONICAL, urn
from crossgrain.words.doses import CAUTION
from crossgrain.writing.carried_over import beside_the_series, judged_orders
from crossgrain.writing.checkpoint import BranchOption
from crossgrain.writing.digest import Digest
from crossgrain.writing.dosage import fetched
from crossgrain.writing.letterhead import Letterhead, Resource
from crossgrain.writing.narrative import bullets, heading, narrative, paragraph, table
from crossgrain.writing.plan_words import checkpoint_block, dose_table, lab_list
from crossgrain.writing.series_mark import on_plan

PHARMACY = ("Fetch by", "Product", "Tablets", "Lasts until")


@dataclass(frozen=True, slots=True)
class Contents:
    """What a care plan holds: the plan, what is said of it, and the requests that carry it out."""

    plan: Plan
    digest: Digest
    courses: tuple[OrderedCourse, ...]
    activities: tuple[Resource, ...]
    choices: tuple[BranchOption, ...]


def care_plan(letter: Letterhead, contents: Contents) -> Resource:
    """The unconditional series and the checkpoint, as activities of one plan."""
    digest = contents.digest
    body = letter.head("CarePlan", "CarePlan", _narrative(letter, contents))
    body["extension"] = on_plan(letter.series_parts)
    body["instantiatesCanonical"] = [f"{MODULE_CANONICAL}|{letter.service_version}"]
    body["status"] = "draft"
    body["intent"] = "proposal"
    body["title"] = digest.title
    body["description"] = digest.summary
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
    body["note"] = letter.notes(*beside_the_series(letter.proposal))
    return body


def _narrative(letter: Letterhead, contents: Contents) -> dict[str, str]:
    tasks = [a["description"] for a in contents.activities if a["resourceType"] == "Task"]
    return narrative(
        paragraph(CAUTION),
        paragraph(contents.digest.summary),
        bullets(beside_the_series(letter.proposal)),
        contents.digest.findings,
        heading("Doses"),
        dose_table(letter.wording, contents.courses),
        heading("At the pharmacy"),
        table(PHARMACY, (fetched(letter.wording, made) for made in contents.plan.prescriptions)),
        bullets(tasks),
        heading("Blood tests"),
        lab_list(letter.wording, contents.plan.labs),
        checkpoint_block(letter, contents.plan, contents.choices),
        heading("Modelled hormone during the move"),
        contents.digest.forecasts,
    )
