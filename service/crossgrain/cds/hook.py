"""The call of a hook, read strictly: what is missing or misshapen is refused by its place."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from crossgrain.cds.services import ORDER_SELECT, PATIENT_VIEW, SERVICES
from crossgrain.operations.faults import Complaint, Fault, RequestRefused, refusal

Resource = dict[str, Any]
_ID = r"[A-Za-z0-9\-.]{1,64}"
FHIR_ID = re.compile(_ID, re.ASCII)
LOCAL_REFERENCE = re.compile(rf"[A-Z][A-Za-z]{{1,63}}/{_ID}", re.ASCII)
_USER = re.compile(rf"(Practitioner|PractitionerRole|Patient|RelatedPerson)/{_ID}", re.ASCII)
_TOKEN = re.compile(r"[!-~]+", re.ASCII)
"""What may stand in a header; RFC 6750 allows less, and servers lend more."""
UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ClientServer:
    """The client's FHIR server and the token that it lent for this call."""

    base: str
    token: str | None


@dataclass(frozen=True, slots=True)
class DraftOrder:
    """One order of the session: as the client refers to it, where it stands, what it says."""

    reference: str
    place: str
    resource: Resource


@dataclass(frozen=True, slots=True)
class HookCall:
    """A call.

    `selected` are the orders that cards may be about: those selected, or all where the hook
    does not tell.
    """

    hook: str
    instance: str
    patient_id: str
    prefetch: dict[str, Any]
    server: ClientServer | None
    drafts: tuple[DraftOrder, ...] = ()
    selected: tuple[DraftOrder, ...] = ()


def read_call(body: Resource, service_id: str) -> HookCall:
    """Read the call of one service.

    Raises
    ------
    RequestRefused
        400, with a complaint for every field that is missing or misshapen.
    """
    hooks = [service.hook for service in SERVICES if service.id == service_id]
    context = body.get("context")
    complaints = [*_wrong(body, hooks)]
    if not isinstance(context, dict):
        complaints.append(_complaint("context", "an object is required"))
    else:
        complaints.extend(_wrong_in(context))
    if complaints or not isinstance(context, dict):
        raise RequestRefused(*complaints)
    hook = body["hook"]
    drafts = () if hook == PATIENT_VIEW else tuple(_drafts(context))
    return HookCall(
        hook=hook,
        instance=body["hookInstance"],
        patient_id=context["patientId"],
        prefetch=body.get("prefetch", {}),
        server=_server(body),
        drafts=drafts,
        selected=_selected(context, drafts) if hook == ORDER_SELECT else drafts,
    )


def _complaint(place: str, message: str) -> Complaint:
    return Complaint(Fault.INPUT_SHAPE, place, message)


def _matches(value: object, pattern: re.Pattern[str]) -> bool:
    return isinstance(value, str) and pattern.fullmatch(value) is not None


def _wrong(body: Resource, hooks: list[str]) -> Iterator[Complaint]:
    if body.get("hook") not in hooks:
        yield _complaint("hook", f"this service is for: {', '.join(hooks)}")
    if not _matches(body.get("hookInstance"), UUID):
        yield _complaint("hookInstance", "a UUID is required")
    if not isinstance(body.get("prefetch", {}), dict):
        yield _complaint("prefetch", "an object is expected")
    server, lent = body.get("fhirServer", ""), body.get("fhirAuthorization", {})
    if not isinstance(server, str):
        yield _complaint("fhirServer", "a URL is expected")
    if not isinstance(lent, dict):
        yield _complaint("fhirAuthorization", "an object is expected")
        return
    if lent and not server:
        yield _complaint("fhirServer", "it is required beside fhirAuthorization")
    if lent and not _matches(lent.get("access_token"), _TOKEN):
        yield _complaint("fhirAuthorization.access_token", "a token of visible ASCII is required")
    if lent and lent.get("token_type") != "Bearer":
        yield _complaint("fhirAuthorization.token_type", "it is always Bearer")


def _wrong_in(context: Resource) -> Iterator[Complaint]:
    if not _matches(context.get("patientId"), FHIR_ID):
        yield _complaint("context.patientId", "the FHIR id of the patient is required")
    if not _matches(context.get("userId"), _USER):
        yield _complaint("context.userId", "Practitioner/id, or the like, is required")
    if "encounterId" in context and not _matches(context["encounterId"], FHIR_ID):
        yield _complaint("context.encounterId", "the FHIR id of the encounter is expected")


def _server(body: Resource) -> ClientServer | None:
    base = body.get("fhirServer")
    token = body.get("fhirAuthorization", {}).get("access_token")
    return ClientServer(base.rstrip("/"), token) if base else None


def _drafts(context: Resource) -> Iterator[DraftOrder]:
    """Every medication order of the session; other orders are of no concern here."""
    bundle = context.get("draftOrders")
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise refusal(Fault.INPUT_SHAPE, "context.draftOrders", "a Bundle is required")
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise refusal(Fault.INPUT_SHAPE, "context.draftOrders.entry", "an array is expected")
    known: dict[str, Resource] = {}
    for number, entry in enumerate(entries):
        place = f"context.draftOrders.entry[{number}].resource"
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict):
            raise refusal(Fault.INPUT_SHAPE, place, "a resource is required")
        if resource.get("resourceType") != "MedicationRequest":
            continue
        if not _matches(resource.get("id"), FHIR_ID):
            raise refusal(Fault.INPUT_SHAPE, f"{place}.id", "an order in draft has a FHIR id")
        if known.setdefault(resource["id"], resource) != resource:
            raise refusal(Fault.INPUT_SHAPE, f"{place}.id", "two orders in draft share one id")
        yield DraftOrder(f"MedicationRequest/{resource['id']}", place, resource)


def _selected(context: Resource, drafts: tuple[DraftOrder, ...]) -> tuple[DraftOrder, ...]:
    selections = context.get("selections")
    if not isinstance(selections, list) or not all(
        _matches(one, LOCAL_REFERENCE) for one in selections
    ):
        raise refusal(
            Fault.INPUT_SHAPE, "context.selections", "references such as MedicationRequest/1"
        )
    by_reference = {draft.reference: draft for draft in drafts}
    for number, one in enumerate(selections):
        if one.startswith("MedicationRequest/") and one not in by_reference:
            raise refusal(
                Fault.INPUT_SHAPE,
                f"context.selections[{number}]",
                "what is selected must be among the draft orders",
            )
    return tuple(by_reference[one] for one in dict.fromkeys(selections) if one in by_reference)
