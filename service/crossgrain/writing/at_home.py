"""What to do with the tablets at home, in plain words: on Tasks, cards and the patient's page."""

from collections.abc import Callable, Iterable, Iterator

from crossgrain.dosing.supply import HomeSupply, HomeUse, Turn, Use
from crossgrain.reading.record import MedicineEntry
from crossgrain.words.doses import generic_name, product

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
