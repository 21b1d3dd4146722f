"""What a prescriber may choose on a card of an order."""

from collections.abc import Sequence
from typing import Any

from crossgrain.cds.actions import (
    file_the_page,
    replace_by_series,
    replaced_orders,
    say_what_it_replaces,
    suggestion,
)
from crossgrain.cds.advice import Advice
from crossgrain.cds.card_desk import CardDesk
from crossgrain.cds.hook import Draft
from crossgrain.safety.judgement import Ending, Verdict

Action = dict[str, Any]


def suggestions(desk: CardDesk, advice: Advice) -> dict[str, Any]:
    """The card's suggestions and how they may be chosen; nothing where no series is offered.

    Where all that is wrong is that no one said what the order replaces, that can be said
    instead; it and the series exclude each other.
    """
    if desk.answer is None or advice.proposal is None:
        return {}
    named = {desk.assembled.reference(order.reference) for order in advice.orders}
    judged = [draft for draft in desk.drafts if draft.reference in named]
    update = _update(advice, judged)
    series = suggestion(
        desk.uuid("series"),
        "Put the proposed series in its place",
        replace_by_series(desk.answer, judged, desk.assembled.in_words),
        recommended=update is None,
    )
    if update:
        words = "Say what the order replaces"
        said = suggestion(desk.uuid("replaces"), words, [update], recommended=True)
        return {"suggestions": [said, series], "selectionBehavior": "at-most-one"}
    page = file_the_page(desk.answer, desk.assembled.in_words(desk.page))
    filed = suggestion(desk.uuid("page"), "File the plan as a page", [page])
    return {"suggestions": [series, filed], "selectionBehavior": "any"}


def _update(advice: Advice, judged: Sequence[Draft]) -> Action | None:
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
