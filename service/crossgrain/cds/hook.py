"""A hook call: one struct for what each hook sends, and the call as it is handled."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from crossgrain.cds.messages import (
    FHIR_ID,
    ID,
    Message,
    Place,
    Resource,
    Uuid,
    holds,
    read_message,
    refuse,
    said,
    says,
    whole,
)
from crossgrain.cds.services import SERVICES
from crossgrain.names.values import frozen
from crossgrain.reading.resolve import as_modified

_TOKEN = whole("[!-~]+")
"""What may stand in a header; RFC 6750 allows less, and servers lend more."""


class FhirAuthorization(Message):
    """The token that the client lends for this call."""

    model_config = ConfigDict(alias_generator=None)

    access_token: Annotated[str, _TOKEN, says("a token of visible ASCII is required")]
    """The OAuth 2.0 access token."""
    token_type: Annotated[Literal["Bearer"], says("it is always Bearer")]
    """The scheme that it is sent by."""
    expires_in: Any = None
    """Its lifetime in seconds. Not read: it is used at once and kept nowhere."""
    scope: Any = None
    """Its scopes. Not read: the client's server says what it allows."""
    subject: Any = None
    """The OAuth 2.0 client id of this service. Not read."""
    patient: Any = None
    """The patient to whom the token is restricted. Not read: whose a resource is, is looked at."""


_Id = Annotated[str, whole(ID)]
_USER = whole(f"(Practitioner|PractitionerRole|Patient|RelatedPerson)/{ID}")


class Context(Message):
    """The context of `patient-view`, and of every hook."""

    patient_id: Annotated[_Id, says("the FHIR id of the patient is required")]
    """The FHIR id of the patient."""
    user_id: Annotated[str, _USER, says("Practitioner/id, or the like, is required")]
    """The user, as Type/id."""
    encounter_id: Annotated[_Id | None, says("the FHIR id of the encounter is expected")] = None
    """The FHIR id of the encounter."""


def _without_nothing(node: Any) -> Any:
    if isinstance(node, dict):
        filled = ((key, _without_nothing(value)) for key, value in node.items())
        return {key: value for key, value in filled if value is not None and value != []}
    return [_without_nothing(item) for item in node] if isinstance(node, list) else node


class DraftEntry(Message):
    """One order of the session."""

    resource: Annotated[Resource, says("a resource is required")]
    """The order, of any type; a MedicationRequest has an id."""

    @model_validator(mode="before")
    @classmethod
    def _nothing_is_no_resource(cls, sent: object) -> object:
        held = sent.get("resource") if isinstance(sent, dict) else None
        if isinstance(sent, dict) and isinstance(held, dict):
            return {**sent, "resource": as_modified(held, sent)}
        return sent if isinstance(sent, dict) else {}

    @field_validator("resource", mode="after")
    @classmethod
    def _unfilled_is_nothing(cls, order: Resource) -> Resource:
        """FHIR has no ``null`` for a member, and no empty list; a form not filled in sends some."""
        filled: Resource = _without_nothing(order)
        return filled


class DraftOrders(Message):
    """The orders of the session that are not signed yet."""

    resource_type: Literal["Bundle"]
    entry: Annotated[tuple[DraftEntry, ...], holds("an array is expected")] = ()

    def for_medicines(self) -> Iterator[tuple[int, Resource]]:
        """Every MedicationRequest, by its number; other orders are of no concern here."""
        for number, entry in enumerate(self.entry):
            if entry.resource.get("resourceType") == "MedicationRequest":
                yield number, entry.resource

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        refuse(self._not_told_apart())
        return self

    def _not_told_apart(self) -> Iterator[tuple[Place, str]]:
        known: dict[str, Resource] = {}
        for number, resource in self.for_medicines():
            place = ("entry", number, "resource", "id")
            own_id = resource.get("id")
            if not isinstance(own_id, str) or not FHIR_ID.fullmatch(own_id):
                yield place, "an order in draft has a FHIR id"
            elif known.setdefault(own_id, resource) != resource:
                yield place, "two orders in draft share one id"


def _a_bundle(sent: object) -> object:
    if not isinstance(sent, dict) or sent.get("resourceType") != "Bundle":
        raise said("a Bundle is required")
    return sent


class OrderSignContext(Context):
    """The context of `order-sign`."""

    draft_orders: Annotated[DraftOrders, BeforeValidator(_a_bundle)]
    """Every order of the session."""


_LOCAL = whole(f"[A-Z][A-Za-z]{{1,63}}/{ID}")


class OrderSelectContext(OrderSignContext):
    """The context of `order-select`."""

    selections: Annotated[
        list[Annotated[str, _LOCAL]], says("references such as MedicationRequest/1")
    ]
    """What was just selected, as Type/id; of the MedicationRequests each is a draft order."""

    @model_validator(mode="after")
    def _of_the_session(self) -> Self:
        there = {f"MedicationRequest/{r['id']}" for _, r in self.draft_orders.for_medicines()}
        refuse(
            (("selections", number), "what is selected must be among the draft orders")
            for number, one in enumerate(self.selections)
            if one.startswith("MedicationRequest/") and one not in there
        )
        return self


class HookRequest(Message):
    """The call of any hook."""

    hook: str
    """The hook that calls."""
    hook_instance: Annotated[Uuid, says("a UUID is required")]
    """The UUID of this call; its cards are named after it."""
    prefetch: Annotated[dict[str, Any], says("an object is expected")] = Field(default_factory=dict)
    """By the keys of discovery: a resource, a Bundle, or `null` where there is nothing."""
    fhir_server: Annotated[str, says("a URL is expected")] = ""
    """The base URL of the client's FHIR server."""
    fhir_authorization: Annotated[FhirAuthorization | None, holds("an object is expected")] = None
    """The token that the client lends for that server."""
    context: Annotated[Context, holds("an object is required")]

    @field_validator("hook", mode="before")
    @classmethod
    def _of_this_service(cls, hook: object, info: ValidationInfo) -> object:
        hooks: tuple[str, ...] = info.context or ()
        if hook not in hooks:
            raise said(f"this service is for: {', '.join(hooks)}")
        return hook

    @field_validator("fhir_authorization", mode="before")
    @classmethod
    def _empty_is_none(cls, lent: object) -> object:
        return lent or None if isinstance(lent, dict) else lent

    @model_validator(mode="after")
    def _token_for_a_server(self) -> Self:
        if self.fhir_authorization and not self.fhir_server:
            refuse([(("fhirServer",), "it is required beside fhirAuthorization")])
        return self


class OrderSelect(HookRequest):
    """The call of `order-select`."""

    hook: Literal["order-select"]
    context: Annotated[OrderSelectContext, holds("an object is required")]


class OrderSign(HookRequest):
    """The call of `order-sign`."""

    hook: Literal["order-sign"]
    context: Annotated[OrderSignContext, holds("an object is required")]


class PatientView(HookRequest):
    """The call of `patient-view`."""

    hook: Literal["patient-view"]


REQUESTS: Mapping[str, type[HookRequest]] = {
    "order-select": OrderSelect,
    "order-sign": OrderSign,
    "patient-view": PatientView,
}


@frozen
class ClientServer:
    """The client's FHIR server and the token that it lent for this call."""

    base: str
    token: str | None


@frozen
class DraftOrder:
    """One order of the session: as the client refers to it, where it stands, what it says."""

    reference: str
    place: str
    resource: Resource


@frozen
class HookCall:
    """A call.

    `prescriber` is the user where that is a practitioner, else empty. `selected` are the orders
    that cards may be about: those selected, or all where the hook does not tell.
    """

    hook: str
    instance: str
    patient_id: str
    prefetch: dict[str, Any]
    server: ClientServer | None
    drafts: tuple[DraftOrder, ...] = ()
    selected: tuple[DraftOrder, ...] = ()
    prescriber: str = ""


def read_call(body: Resource, service_id: str) -> HookCall:
    """Read the call of one service.

    Raises
    ------
    RequestRefused
        400, with a complaint for every field that is missing or misshapen.
    """
    hooks = tuple(service.hook for service in SERVICES if service.id == service_id)
    hook = body.get("hook")
    kind = REQUESTS[str(hook)] if hook in hooks else HookRequest
    sent = read_message(kind, body, hooks)
    drafts = tuple(_drafts(sent))
    return HookCall(
        hook=sent.hook,
        instance=sent.hook_instance,
        patient_id=sent.context.patient_id,
        prefetch=sent.prefetch,
        server=_server(sent),
        drafts=drafts,
        selected=_selected(sent, drafts),
        prescriber=_prescriber(sent.context.user_id),
    )


def _prescriber(user: str) -> str:
    """The user, where that is one who may order; a patient or a relative is not."""
    return user if user.partition("/")[0] in {"Practitioner", "PractitionerRole"} else ""


def _server(sent: HookRequest) -> ClientServer | None:
    lent = sent.fhir_authorization
    base = sent.fhir_server.rstrip("/")
    return ClientServer(base, lent.access_token if lent else None) if base else None


def _drafts(sent: HookRequest) -> Iterator[DraftOrder]:
    """Each order once: what is listed again under one id says the same, or was refused."""
    if isinstance(sent, OrderSelect | OrderSign):
        known: set[str] = set()
        for number, resource in sent.context.draft_orders.for_medicines():
            reference = f"MedicationRequest/{resource['id']}"
            if reference not in known:
                known.add(reference)
                place = f"context.draftOrders.entry[{number}].resource"
                yield DraftOrder(reference, place, resource)


def _selected(sent: HookRequest, drafts: tuple[DraftOrder, ...]) -> tuple[DraftOrder, ...]:
    if not isinstance(sent, OrderSelect):
        return drafts
    by_reference = {draft.reference: draft for draft in drafts}
    selections = dict.fromkeys(sent.context.selections)
    return tuple(by_reference[one] for one in selections if one in by_reference)
