"""What goes on from before: tablets at home, and what orders of the record hand on."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.supply import HomeSupply, HomeUse, Turn, Use
from crossgrain.reading.record import MedicineEntry, Record
from crossgrain.words.doses import generic_name, product
from crossgrain.writing.going_on import Replaceable


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
    """Encounter and requester of the orders under judgement; the requester as the call names one.

    Each is carried only where all that give one agree: choosing would be inventing. So would be
    to name whoever ordered what is taken now, or the visit at which that was.
    """
    judged = judged_orders(proposal)
    return (
        _agreed({order.encounter for order in judged}),
        proposal.request.requester or _agreed({order.requester for order in judged}),
    )


def _agreed(given: set[str | None]) -> str | None:
    given.discard(None)
    return given.pop() if len(given) == 1 else None


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


def replacing(replaced: Sequence[Replaceable]) -> dict[str, Any]:
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


TO_A_PHARMACY = "Take what is left to a pharmacy."
"""FDA, disposal of unused medicines: take-back places such as pharmacies come first (from
memory)."""

DayWords = Callable[[int], str]
"""A day of the plan, as a person reads it."""


def home_supplies(entries: Iterable[MedicineEntry]) -> tuple[HomeSupply, ...]:
    """What the patient has at home of the medicines taken now, each product once."""
    supplies = (HomeSupply(e.lines[0].preparation, e.strength) for e in entries if e.lines)
    return tuple(dict.fromkeys(supplies))


def supply_name(supply: HomeSupply) -> str:
    """A supply as its box names it; the medicine alone where no strength is known."""
    if supply.strength is None:
        return generic_name(supply.preparation)
    return f"{product(supply.preparation, supply.strength)}s"


def home_words(use: HomeUse, words: DayWords) -> str:
    """What to do with one supply, from which day on."""
    return " ".join(_sentences(use, words))


def home_line(use: HomeUse, words: DayWords) -> str:
    """The same, with the supply named."""
    name = supply_name(use.supply)
    return f"{name[:1].upper()}{name[1:]} at home: {home_words(use, words)}"


def _sentences(use: HomeUse, words: DayWords) -> Iterator[str]:
    it = "it" if use.supply.strength is None else "them"
    before: Turn | None = None
    for number, turn in enumerate(use.turns):
        from_then = f"From {words(turn.first_day)} on"
        match turn.use:
            case Use.AS_NOW if len(use.turns) == 1:
                yield "Go on as now."
            case Use.AS_ORDERED if before is None or before.use is Use.AS_NOW:
                yield from _as_ordered(use.supply, from_then)
            case Use.NOT_TAKEN if turn is not use.turns[-1]:
                again = words(use.turns[number + 1].first_day)
                yield f"{from_then}, do not take {it}. Put {it} away."
                yield f"You need {it} again from {again} on."
            case Use.NOT_TAKEN:
                yield f"{from_then}, take no more of {it}."
                if use.exchanged:
                    yield "This plan has another product of it instead. Never take both."
                elif use.replaced:
                    yield "This plan has other strengths instead."
                yield TO_A_PHARMACY
        before = turn


def _as_ordered(supply: HomeSupply, from_then: str) -> Iterator[str]:
    if supply.strength is not None:
        yield f"{from_then}, take them only as this plan says."
        return
    yield f"{from_then}, take only the tablets that this plan names."
    yield "Keep a box from home only if this plan names its strength."
    yield "Take the others to a pharmacy."
