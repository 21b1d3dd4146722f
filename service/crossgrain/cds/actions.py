"""Suggestions as actions that a client can carry out: the first step of the series, or all of it.

Resources refer to each other by ``Type/id``, as in a transaction whose base is the client's
FHIR server, and never to what is not created with them. Deletions come first, then updates, then
creations, as they are carried out. A dose is never a system action: a person chooses the
suggestion.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal

from msgspec import UNSET, UnsetType

from crossgrain.cds.advice import Advice
from crossgrain.cds.answers import CardAction, CardSuggestion
from crossgrain.cds.card_detail import CardDesk
from crossgrain.cds.filing import Resource, Series, day_asked, preparation_of, said_once
from crossgrain.cds.hook import DraftOrder
from crossgrain.names.values import frozen
from crossgrain.reading.record import MedicineEntry
from crossgrain.safety.judgement import Ending, Verdict
from crossgrain.writing.elements import plain
from crossgrain.writing.forms import to_json

Behavior = Literal["any", "at-most-one"] | UnsetType
MOST_ACTIONS = 6
"""Of the first suggestion: a prescriber reads each of them before it is signed."""
MOST_BYTES = 47_500
"""Of all suggestions as written: with the rest of the card an answer stays below 50 kB."""
_OURS = (
    "medicationCodeableConcept", "dosageInstruction", "substitution", "groupIdentifier",
)  # fmt: skip
"""What an order in draft takes over from the first order of the series as it is."""
_REASONS = ("reasonCode", "reasonReference")
_UNSAID = ("category", "requester", "courseOfTherapyType")
"""What it takes over where the client has not said it; of the reasons neither, or none."""
_ADDED = ("extension", "note", "supportingInformation")
"""What stands beside the client's own: the plan, what is said, and which statement it replaces."""
_TOLD_THE_OLD_DOSE = {"text", "medicationReference", "dispenseRequest", *_OURS}
_TOLD_THE_OLD_DOSE |= {f"_{name}" for name in _TOLD_THE_OLD_DOSE}


def whole_series(series: Series, drafts: Iterable[DraftOrder]) -> list[CardAction]:
    """Delete the orders in draft, create everything of the series."""
    return [*_deletions(drafts), *map(create, series.resources())]


@frozen
class JudgedDraft:
    """An order of the session that is judged, and the product lines that it is for."""

    draft: DraftOrder
    preparations: frozenset[str]


def first_step(
    series: Series, judged: Sequence[JudgedDraft], lead: JudgedDraft, taken: frozenset[str]
) -> list[CardAction]:
    """The order in hand as the first order of the series, and what must go with it.

    With it go its second strength, the orders and the end of the old medicine while it lasts,
    and the first blood test. Where a further order in draft is for the medicine of one of them,
    it becomes that order; any other is removed. Where there are too many, those go that begin
    last. What else is measured on that day, such as an ECG, is of the whole series; what must be
    done before the start stands in the note of the order.

    Parameters
    ----------
    series : the proposal
    judged : the orders that it stands in for
    lead : the one that becomes the first order
    taken : what the record shows as taken now, by reference
    """
    first = series.first_of(lead.preparations)
    beside = said_once(first, series.beside(first))
    further = [each for each in judged if each is not lead and _is_new(each.draft)]
    pairs, gone = _in_place(further, beside)
    if _is_new(lead.draft):
        pairs, made = [(lead.draft, first), *pairs], []
    else:
        made = [first]
    with_it = said_once(first, [*series.ends(), *series.first_draw()[:1]])
    room = max(MOST_ACTIONS - len(gone) - len(pairs) - len(made) - len(with_it), 0)
    written = [order for _, order in pairs]
    made += [order for order in beside if order not in written][:room]
    intent = str(lead.draft.resource.get("intent") or "order")
    return [
        *_deletions(gone),
        *(_update(draft, order, taken) for draft, order in pairs),
        *(create({**each, "intent": intent}) for each in (*made, *with_it)),
    ]


def _in_place(
    further: Iterable[JudgedDraft], orders: Iterable[Resource]
) -> tuple[list[tuple[DraftOrder, Resource]], list[DraftOrder]]:
    """Each draft with the first order that is left of its medicine; then those without one."""
    left, pairs, gone = list(orders), list[tuple[DraftOrder, Resource]](), list[DraftOrder]()
    for each in further:
        own = next((o for o in left if preparation_of(o) in each.preparations), None)
        if own is None:
            gone.append(each.draft)
        else:
            left.remove(own)
            pairs.append((each.draft, own))
    return pairs, gone


def _is_new(draft: DraftOrder) -> bool:
    """Whether the order may be written over: one that was signed is left as it stands."""
    return draft.resource.get("status") == "draft"


def _update(draft: DraftOrder, first: Resource, taken: frozenset[str]) -> CardAction:
    """The order in draft with the medicine, the dose and the supply of the first order.

    That it replaces what is taken now is no longer so where the series lets that run on. What
    the record does not show is replaced as the prescriber has said.
    """
    kept = {k: v for k, v in draft.resource.items() if k not in _TOLD_THE_OLD_DOSE}
    pharmacy = {k: v for k, v in _object(draft, "dispenseRequest").items() if k == "performer"}
    own_medication = _object(draft, "medicationReference").get("reference")
    contained = [c for c in _array(kept.pop("contained", ())) if not _is(c, own_medication)]
    order: Resource = kept | ({"contained": contained} if contained else {})
    order |= {name: first[name] for name in _OURS if name in first}
    order["dispenseRequest"] = pharmacy | first["dispenseRequest"]
    if str(_object(draft, "priorPrescription").get("reference")) in taken:
        del order["priorPrescription"]
    if "priorPrescription" in first:
        order.setdefault("priorPrescription", first["priorPrescription"])
    why = () if kept.keys() & _REASONS else _REASONS
    order |= {name: first[name] for name in (*_UNSAID, *why) if name in first and name not in kept}
    for name in _ADDED:
        own = _array(order.pop(name, ()))
        if both := [*own, *(each for each in first.get(name, ()) if each not in own)]:
            order[name] = both
    return CardAction(type="update", description=plain(_words(first)), resource=order)


def _object(draft: DraftOrder, name: str) -> Mapping[str, Any]:
    value = draft.resource.get(name)
    return value if isinstance(value, dict) else {}


def _array(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _is(contained: Any, reference: object) -> bool:
    return isinstance(contained, dict) and f"#{contained.get('id')}" == reference


def say_what_it_replaces(draft: DraftOrder, old: MedicineEntry) -> CardAction:
    """The order as it is, with the order that it takes the place of."""
    return CardAction(
        type="update",
        description=f"Say in {draft.reference} that it replaces {old.reference}",
        resource={**draft.resource, "priorPrescription": {"reference": old.reference}},
    )


def _deletions(drafts: Iterable[DraftOrder]) -> list[CardAction]:
    return [delete(draft.reference) for draft in drafts if _is_new(draft)]


def delete(reference: str) -> CardAction:
    """Take an order away that nobody has signed."""
    return CardAction(
        type="delete",
        description=f"Remove the order as written, {reference}",
        resource_id=reference,
    )


def create(resource: Resource) -> CardAction:
    """A resource of the series as it is filed."""
    return CardAction(type="create", description=plain(_words(resource)), resource=resource)


def _words(resource: Resource) -> str:
    match resource["resourceType"]:
        case "MedicationRequest":
            return " ".join(each["text"] for each in resource["dosageInstruction"])
        case "CarePlan":
            return str(resource["title"])
        case "Task":
            return str(resource["description"])
        case _:
            return f"To be measured: {resource['code']['text']}, {day_asked(resource)}"


def replaced_orders(entries: Iterable[MedicineEntry]) -> Iterator[MedicineEntry]:
    """What is taken now by an order that another order can name as the one it replaces."""
    return (entry for entry in entries if entry.resource_type == "MedicationRequest")


def suggestions(desk: CardDesk, advice: Advice) -> tuple[list[CardSuggestion], Behavior]:
    """The card's suggestions and how they may be chosen; none where no series is offered.

    Where all that is wrong is that no one said what the order replaces, that can be said
    instead of the first step. They exclude each other.
    """
    if desk.answer is None or advice.proposal is None:
        return [], UNSET
    series = Series(desk.answer, desk.assembled.in_words)
    named = {desk.assembled.reference(order.reference) for order in advice.orders}
    drafts = [draft for draft in desk.drafts if draft.reference in named]
    offered = [_smallest(desk, advice, series, drafts)]
    whole = CardSuggestion(
        label="Put the whole proposed series in its place",
        uuid=desk.uuid("series"),
        actions=whole_series(series, drafts),
    )
    if sum(len(to_json(each)) for each in (*offered, whole)) <= MOST_BYTES:
        offered.append(whole)
    return offered, "at-most-one"


def _smallest(
    desk: CardDesk, advice: Advice, series: Series, drafts: Sequence[DraftOrder]
) -> CardSuggestion:
    """The least that makes the order safe to sign; it is what is recommended."""
    if update := _update_of_old(advice, drafts):
        return CardSuggestion(
            label="Say what the order replaces",
            uuid=desk.uuid("replaces"),
            is_recommended=True,
            actions=[update],
        )
    for_what = {
        desk.assembled.reference(order.reference): frozenset(
            line.preparation.id for line in order.lines
        )
        for order in advice.orders
    }
    judged = [JudgedDraft(draft, for_what[draft.reference]) for draft in drafts]
    in_hand = {desk.assembled.reference(o.reference) for o in desk.in_hand(advice.orders)}
    lead = next(each for each in judged if each.draft.reference in in_hand)
    return CardSuggestion(
        label="Start the proposed series: its first order alone",
        uuid=desk.uuid("first"),
        is_recommended=True,
        actions=first_step(
            series, judged, lead, frozenset(entry.reference for entry in advice.record.current)
        ),
    )


def _update_of_old(advice: Advice, drafts: Sequence[DraftOrder]) -> CardAction | None:
    """Where all that is wrong is that no one said what the order replaces, say that."""
    judgement = advice.judgement
    old = list(replaced_orders(advice.record.current))
    if judgement is None or judgement.verdicts != (Verdict.DUPLICATE,):
        return None
    if judgement.ending is not Ending.UNKNOWN or len(old) != 1 or len(drafts) != 1:
        return None
    if len(advice.record.current) != 1 or "priorPrescription" in drafts[0].resource:
        return None
    return say_what_it_replaces(drafts[0], old[0])
