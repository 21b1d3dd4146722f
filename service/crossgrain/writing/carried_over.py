"""What the proposals take over from the orders of the record: encounter and requester."""

from typing import Any

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.exchange import Exchange
from crossgrain.reading.record import MedicineEntry, Record


def judged_orders(proposal: Proposal) -> tuple[MedicineEntry, ...]:
    """The foreign drafts that the request names, or all where it names none."""
    foreign = [entry for entry in proposal.record.drafts if not entry.ours and not entry.option]
    named = [entry for entry in foreign if entry.reference in proposal.request.orders]
    return tuple(named or foreign)


def beside_the_series(proposal: Proposal) -> list[str]:
    """A warning for every draft that was judged: filed beside this series it doubles the dose."""
    return [
        f"The draft {order.reference} is not part of this series: sign one or the other, not both."
        for order in judged_orders(proposal)
    ]


def carried_over(proposal: Proposal) -> tuple[str | None, str | None]:
    """Encounter and requester of the orders under judgement, else of the medicines taken.

    Each is carried only where all that give one agree: choosing would be inventing.
    """
    sources = (judged_orders(proposal), proposal.record.current)
    return (
        _agreed([{e.encounter for e in entries if e.encounter} for entries in sources]),
        _agreed([{e.requester for e in entries if e.requester} for entries in sources]),
    )


def _agreed(candidates: list[set[str]]) -> str | None:
    for references in candidates:
        if references:
            return references.pop() if len(references) == 1 else None
    return None


def replaced_by(
    record: Record, exchange: Exchange | None = None
) -> dict[str, tuple[MedicineEntry, ...]]:
    """Medicine → what an order for it changes; a new product takes the place of the old."""
    entries: dict[str, list[MedicineEntry]] = {}
    for entry in record.current:
        for medicine in dict.fromkeys(line.preparation.id for line in entry.lines):
            if exchange and medicine in exchange.ended:
                medicine = exchange.new.id  # noqa: PLW2901
            entries.setdefault(medicine, []).append(entry)
    return {medicine: tuple(taken) for medicine, taken in entries.items()}


def replacing(replaced: tuple[MedicineEntry, ...]) -> dict[str, Any]:
    """The elements by which an order names what it changes.

    `priorPrescription` takes one request; statements and further requests support.
    """
    requests = [e.reference for e in replaced if e.resource_type == "MedicationRequest"]
    prior = set(requests[:1])
    supporting = [e.reference for e in replaced if e.reference not in prior]
    elements: dict[str, Any] = {}
    if requests:
        elements["priorPrescription"] = {"reference": requests[0]}
    if supporting:
        elements["supportingInformation"] = [{"reference": ref} for ref in supporting]
    return elements
