"""What goes on from before: tablets at home, and what orders of the record hand on."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.exchange import Exchange
from crossgrain.dosing.supply import HomeSupply, HomeUse, Turn, Use
from crossgrain.reading.record import MedicineEntry, Record
from crossgrain.words.doses import product
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


SENTENCES = {
    "it": "it",
    "them": "them",
    "as-now": "Go on as now.",
    "put-away": "From {day} on, do not take {it}. Put {it} away.",
    "again": "You need {it} again from {day} on.",
    "no-more": "From {day} on, take no more of {it}.",
    "exchanged": "This plan has another product of it instead. Never take both.",
    "replaced": "This plan has other strengths instead.",
    # FDA, disposal of unused medicines: take-back places such as pharmacies come first (from
    # memory).
    "to-a-pharmacy": "Take what is left to a pharmacy.",
    "only-as-planned": "From {day} on, take them only as this plan says.",
    "only-named": "From {day} on, take only the tablets that this plan names.",
    "keep-a-box": "Keep a box from home only if this plan names its strength.",
    "others": "Take the others to a pharmacy.",
}
"""What is said of a supply at home; a patient's own language may say it otherwise."""

DayWords = Callable[[int], str]
"""A day of the plan, as a person reads it."""


def home_supplies(entries: Iterable[MedicineEntry]) -> tuple[HomeSupply, ...]:
    """What the patient has at home of the medicines taken now, each product once."""
    supplies = (HomeSupply(e.lines[0].preparation, e.strength) for e in entries if e.lines)
    return tuple(dict.fromkeys(supplies))


def supply_name(supply: HomeSupply) -> str:
    """A supply as its box names it; the medicine alone where no strength is known."""
    if supply.strength is None:
        return supply.preparation.generic_name
    return f"{product(supply.preparation, supply.strength)}s"


Say = Callable[[str], str]
"""A sentence of `SENTENCES` by its key, in the reader's language, with its blanks."""


def home_words(use: HomeUse, words: DayWords, say: Say = SENTENCES.__getitem__) -> str:
    """What to do with one supply, from which day on."""
    it = say("it" if use.supply.strength is None else "them")
    return " ".join(
        say(key).format(it=it, day="" if day is None else words(day))
        for key, day in _sentences(use)
    )


def home_line(use: HomeUse, words: DayWords) -> str:
    """The same, with the supply named."""
    name = supply_name(use.supply)
    return f"{name[:1].upper()}{name[1:]} at home: {home_words(use, words)}"


def _sentences(use: HomeUse) -> Iterator[tuple[str, int | None]]:
    """Each sentence by its key, and the day that it names."""
    before: Turn | None = None
    for number, turn in enumerate(use.turns):
        match turn.use:
            case Use.AS_NOW if len(use.turns) == 1:
                yield "as-now", None
            case Use.AS_ORDERED if before is None or before.use is Use.AS_NOW:
                yield from _as_ordered(use.supply, turn.first_day)
            case Use.NOT_TAKEN if turn is not use.turns[-1]:
                yield "put-away", turn.first_day
                yield "again", use.turns[number + 1].first_day
            case Use.NOT_TAKEN:
                yield "no-more", turn.first_day
                if use.exchanged:
                    yield "exchanged", None
                elif use.replaced:
                    yield "replaced", None
                yield "to-a-pharmacy", None
        before = turn


def _as_ordered(supply: HomeSupply, day: int) -> Iterator[tuple[str, int | None]]:
    if supply.strength is not None:
        yield "only-as-planned", day
        return
    yield "only-named", day
    yield "keep-a-box", None
    yield "others", None
