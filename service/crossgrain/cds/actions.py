"""Suggestions: the series as actions that a client can carry out in one transaction.

Resources refer to each other by ``Type/id``, as in a transaction whose base is the client's
FHIR server. Deletions come first, then creations, as they are carried out. A dose is never a
system action: a person chooses the suggestion.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal

from msgspec import UNSET, UnsetType

from crossgrain.cds.advice import Advice
from crossgrain.cds.answers import CardAction, CardSuggestion
from crossgrain.cds.card_detail import CardDesk
from crossgrain.cds.hook import DraftOrder
from crossgrain.names.identity import urn
from crossgrain.reading.record import MedicineEntry
from crossgrain.safety.judgement import Ending, Verdict
from crossgrain.writing.forms import page_document
from crossgrain.writing.narrative import plain

Resource = dict[str, Any]
Behavior = Literal["any", "at-most-one"] | UnsetType
_NOT_FILED = {"GuidanceResponse", "Provenance"}


def replace_by_series(
    answer: Resource, drafts: Iterable[DraftOrder], in_words: Callable[[str], str]
) -> list[CardAction]:
    """Delete the orders in draft, create everything of the plan.

    Parameters
    ----------
    answer : the Bundle of the proposal
    drafts : the orders that the series stands in for
    in_words : writes the client's own references into any text
    """
    resources = [entry["resource"] for entry in answer["entry"]]
    filed = [resource for resource in resources if resource["resourceType"] not in _NOT_FILED]
    named = {urn(r["id"]): f"{r['resourceType']}/{r['id']}" for r in filed}
    deletions = [_delete(draft) for draft in drafts if draft.resource.get("status") == "draft"]
    return [*deletions, *(_create(_with_references(r, named, in_words)) for r in filed)]


def say_what_it_replaces(draft: DraftOrder, old: MedicineEntry) -> CardAction:
    """The order as it is, with the order that it takes the place of."""
    return CardAction(
        type="update",
        description=f"Say in {draft.reference} that it replaces {old.reference}",
        resource={**draft.resource, "priorPrescription": {"reference": old.reference}},
    )


def _delete(draft: DraftOrder) -> CardAction:
    return CardAction(
        type="delete",
        description=f"Remove the order as written, {draft.reference}",
        resource_id=draft.reference,
    )


def _create(resource: Resource) -> CardAction:
    return CardAction(type="create", description=plain(_words(resource)), resource=resource)


def _words(resource: Resource) -> str:
    match resource["resourceType"]:
        case "MedicationRequest":
            when = "One option at the checkpoint: " if resource["intent"] == "option" else ""
            return when + " ".join(each["text"] for each in resource["dosageInstruction"])
        case "CarePlan":
            return str(resource["title"])
        case "Task":
            return str(resource["description"])
        case "ServiceRequest":
            return f"Blood test: {resource['code']['text']}"
        case "DetectedIssue":
            return str(resource["detail"])
        case _:
            return "The checkpoint: exactly one of its options is taken, by the labs"


def _with_references(node: Any, named: Mapping[str, str], in_words: Callable[[str], str]) -> Any:
    if isinstance(node, str):
        return named.get(node) or in_words(node)
    if isinstance(node, dict):
        return {key: _with_references(value, named, in_words) for key, value in node.items()}
    if isinstance(node, list):
        return [_with_references(value, named, in_words) for value in node]
    return node


def file_the_page(answer: Resource, page: str) -> CardAction:
    """The plan sheet, to be filed as a document."""
    document = page_document(answer, page.encode())
    words = f"File the page: {document['description']}"
    return CardAction(type="create", description=words, resource=document)


def replaced_orders(entries: Iterable[MedicineEntry]) -> Iterator[MedicineEntry]:
    """What is taken now by an order that another order can name as the one it replaces."""
    return (entry for entry in entries if entry.resource_type == "MedicationRequest")


def suggestions(desk: CardDesk, advice: Advice) -> tuple[list[CardSuggestion], Behavior]:
    """The card's suggestions and how they may be chosen; none where no series is offered.

    Where all that is wrong is that no one said what the order replaces, that can be said
    instead; it and the series exclude each other.
    """
    if desk.answer is None or advice.proposal is None:
        return [], UNSET
    named = {desk.assembled.reference(order.reference) for order in advice.orders}
    judged = [draft for draft in desk.drafts if draft.reference in named]
    update = _update(advice, judged)
    series = CardSuggestion(
        label="Put the proposed series in its place",
        uuid=desk.uuid("series"),
        is_recommended=update is None,
        actions=replace_by_series(desk.answer, judged, desk.assembled.in_words),
    )
    if update:
        said = CardSuggestion(
            label="Say what the order replaces",
            uuid=desk.uuid("replaces"),
            is_recommended=True,
            actions=[update],
        )
        return [said, series], "at-most-one"
    page = file_the_page(desk.answer, desk.assembled.in_words(desk.page))
    filed = CardSuggestion(label="File the plan as a page", uuid=desk.uuid("page"), actions=[page])
    return [series, filed], "any"


def _update(advice: Advice, judged: Sequence[DraftOrder]) -> CardAction | None:
    """Where all that is wrong is that no one said what the order replaces, say that."""
    judgement = advice.judgement
    old = list(replaced_orders(advice.record.current))
    if judgement is None or judgement.verdicts != (Verdict.DUPLICATE,):
        return None
    if judgement.ending is not Ending.UNKNOWN or len(old) != 1 or len(judged) != 1:
        return None
    if len(advice.record.current) != 1 or "priorPrescription" in judged[0].resource:
        return None
    return say_what_it_replaces(judged[0], old[0])
