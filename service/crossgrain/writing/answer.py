"""The answer to a request for a switch, as one Bundle."""

from typing import Any

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import Plan
from crossgrain.names.identity import FhirVersion, urn
from crossgrain.reading.code_tables import CodeTables
from crossgrain.writing.acts import dated_acts
from crossgrain.writing.care_plan import Contents, care_plan
from crossgrain.writing.checkpoint import options, request_group
from crossgrain.writing.digest import Digest, digest_of
from crossgrain.writing.guidance import guidance_response
from crossgrain.writing.issues import detected_issues
from crossgrain.writing.labs import service_requests
from crossgrain.writing.letterhead import SERIES, Letterhead, Resource, letterhead_for
from crossgrain.writing.orders import medication_requests
from crossgrain.writing.prior import series_tasks
from crossgrain.writing.provenance import provenance
from crossgrain.writing.r5 import to_r5

_ORDER = {
    "CarePlan": 0,
    "MedicationRequest": 1,
    "ServiceRequest": 2,
    "Task": 3,
    "RequestGroup": 4,
}


def answer_bundle(
    proposal: Proposal, *, version: FhirVersion, service_version: str, codes: CodeTables
) -> dict[str, Any]:
    """Write a proposal as a `collection` Bundle, the GuidanceResponse first.

    Parameters
    ----------
    proposal : what the service made of the record
    version : the FHIR version to write
    service_version : our own version, named in the module's canonical and the Device
    codes : verified codes of the products

    Returns
    -------
    A tree of dicts, lists, strings, ints, bools and `Decimal`; the same proposal gives the
    same tree, and no float is in it.
    """
    letter = letterhead_for(proposal, service_version, codes)
    plan = letter.plan
    digest = digest_of(letter, plan) if plan else None
    resources = [guidance_response(letter, digest)]
    if plan and digest:
        resources += _planned(letter, plan, digest)
    resources += detected_issues(letter)
    resources.append(provenance(letter, resources))
    if version is FhirVersion.R5:
        resources = [to_r5(resource) for resource in resources]
    return {
        "resourceType": "Bundle",
        "id": letter.id_of("Bundle"),
        "type": "collection",
        "timestamp": letter.instant,
        "entry": [{"fullUrl": urn(resource["id"]), "resource": resource} for resource in resources],
    }


def _planned(letter: Letterhead, plan: Plan, digest: Digest) -> list[Resource]:
    series = letter.series
    choices = tuple(options(letter, plan.checkpoint))
    activities = (
        *medication_requests(letter, SERIES, series, plan.prescriptions),
        *service_requests(letter, SERIES, plan.labs),
        *series_tasks(letter, plan.steps, series),
        *dated_acts(letter),
        request_group(letter, plan.checkpoint, choices),
    )
    tied = care_plan(letter, Contents(plan, digest, series, activities, choices))
    optional = (request for choice in choices for request in choice.requests)
    return sorted((tied, *activities, *optional), key=_place)


def _place(resource: Resource) -> int:
    return _ORDER[resource["resourceType"]]
