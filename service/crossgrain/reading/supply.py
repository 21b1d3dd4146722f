"""What is handed out: how long it lasts, and what it tells where no order or statement does.

A hand-over is a sign that a medicine is taken, never a dose. Where it is all that a record holds
of a hormone, the dose that its own words, or its tablets over its days, come to is asked about, so
that it need only be confirmed.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from fractions import Fraction
from math import ceil, inf
from typing import NamedTuple

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.dose_lines import read_doses
from crossgrain.reading.elements import Asked, Dosage, Quantity, Unreadable
from crossgrain.reading.medication_resources import Seen, product_named
from crossgrain.reading.person import say_whose
from crossgrain.reading.product import Product, tablet_strength
from crossgrain.reading.quantities import Dimension, amount_of, in_unit
from crossgrain.reading.reading import Notes, Reading
from crossgrain.reading.resolve import Entry
from crossgrain.reading.views import MedicationRequest, Medicine, view
from crossgrain.screening.course import Dispense

_DAYS_IN = {"d": 1, "wk": 7, "mo": 31, "a": 366}
"""The most that each may be."""


def supply_days(seen: Seen, tablets_a_day: Fraction | None) -> float | None:
    """How long what an order hands out lasts at most, with all of its repeats.

    ``None`` where it says nothing of that; infinity where what it says cannot be reckoned.
    """
    dispense = seen.dispense_request if isinstance(seen, MedicationRequest) else None
    if dispense is None or not (dispense.expected_supply_duration or dispense.quantity):
        return None
    repeats = dispense.number_of_repeats_allowed or 0
    if type(repeats) is not int or repeats < 0:
        return inf
    by_length = _whole_days(dispense.expected_supply_duration)
    by_tablets = _days_of(dispense.quantity, tablets_a_day)
    if dispense.expected_supply_duration is None:
        by_length = by_tablets
    known = [by_length, *([by_tablets] if by_tablets < inf else [])]
    return max(known) * (1 + repeats)


def _whole_days(duration: Quantity | None) -> float:
    each = _DAYS_IN.get(duration.code or "", 0) if duration else 0
    whole = duration is not None and type(duration.value) is int and duration.value > 0
    return duration.value * each if duration and whole and each else inf


def _days_of(quantity: Quantity | None, tablets_a_day: Fraction | None) -> float:
    """How long so many tablets last."""
    if quantity is None or not tablets_a_day:
        return inf
    try:
        handed_out = amount_of(quantity, "")
    except (Asked, Unreadable):
        return inf
    if handed_out.dimension is not Dimension.PIECE:
        return inf
    return ceil(handed_out.value / tablets_a_day)


class MedicationDispense(Medicine):
    """As far as it is read: what was handed over, when, how much, and how it is to be taken."""

    when_handed_over: str | None = None
    quantity: Quantity | None = None
    days_supply: Quantity | None = None
    dosage_instruction: tuple[Dosage, ...] = ()


class HandOver(NamedTuple):
    """A hand-over of thyroid hormone that took place; its day is relative to as-of."""

    entry: Entry
    seen: MedicationDispense
    product: Product
    day: int

    @property
    def dispense(self) -> Dispense:
        """The same as a sign beside the orders."""
        return Dispense(self.product.kind, self.day, self.entry.reference)

    @property
    def days(self) -> float:
        """How long it lasts by its own word; infinity where it does not say."""
        return _whole_days(self.seen.days_supply)


def hand_over_in(entry: Entry, reading: Reading) -> HandOver | None:
    """A hand-over of thyroid hormone; ``None`` for any other, or one that cannot be read."""
    seen = view(entry.resource, MedicationDispense, entry.path)
    if seen.status != "completed" or seen.when_handed_over is None:
        return None
    handed_over = f"{entry.path}.whenHandedOver"
    day = reading.calendar.past_date_in(seen.when_handed_over, handed_over).day(reading.as_of)
    try:
        product, _ = product_named(seen, entry, reading)
    except Asked:
        return None
    if product is None or day is None or day > 0:
        return None
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    return HandOver(entry, seen, product, day)


def ask_what_only_hand_overs_tell(
    handed: Sequence[HandOver], told: Collection[Kind], alone: bool, reading: Reading
) -> None:
    """Ask about hormone that was handed out and stands in no order and no statement.

    Parameters
    ----------
    told : the kinds of which an order or a statement speaks
    alone : nothing else is taken: then also what is used up tells what was probably taken
    """
    by_kind: dict[Kind, list[HandOver]] = {}
    for each in sorted(handed, key=lambda each: each.day):
        if each.product.kind not in told:
            by_kind.setdefault(each.product.kind, []).append(each)
    for several in by_kind.values():
        lasting = [each for each in several if not _is_over(each, reading)]
        for each in _latest_of_each_tablet(lasting or (several[-1:] if alone else ())):
            reading.notes.ask(_asked_about(each, reading))


def _is_over(each: HandOver, reading: Reading) -> bool:
    """Whether its tablets were used up longer ago than a renewal may wait."""
    days = each.days if each.days < inf else reading.codes.believed.order_days
    return each.day + days + reading.codes.believed.renewal_days < 0


def _latest_of_each_tablet(handed: Iterable[HandOver]) -> Iterator[HandOver]:
    yield from {each.product: each for each in handed}.values()


def _asked_about(each: HandOver, reading: Reading) -> Asked:
    lasts = f", for {each.days:g} days" if each.days < inf else ""
    over = " that are over" if each.day + each.days < 0 else ""
    when = f"{-each.day} days before the day of reading{lasts}{over}"
    lines = probable_dose(each, reading)
    dose = _in_words(_daily(lines), lines[0].preparation) if lines else ""
    what = f"{dose} were" if dose else f"A {each.product.kind} medicine was"
    ends = "Is that what is taken now?" if dose else "How much of it is taken a day?"
    return Asked(
        each.entry.path, f"{what} handed out {when}. No order or statement speaks of it. {ends}"
    )


def probable_dose(each: HandOver, reading: Reading) -> tuple[DoseLine, ...]:
    """What a hand-over tells in its dosages or by its tablets; empty where it tells none."""
    dosages, counted = each.seen.dosage_instruction, _by_count(each)
    if not dosages:
        return (counted,) if counted else ()
    apart = Notes()
    path = f"{each.entry.path}.dosageInstruction"
    try:
        lines = read_doses(
            dosages, each.product, path, reading.with_notes(apart), dated=False
        ).lines
    except (Asked, Unreadable):
        return ()
    if apart.questions or not lines:
        return ()
    told = _daily(lines), lines[0].preparation
    if counted and (counted.daily, counted.preparation) != told:
        return ()
    return lines


def _daily(lines: Iterable[DoseLine]) -> Fraction:
    return sum((line.daily for line in lines), Fraction(0))


def _in_words(daily: Fraction, line: Preparation) -> str:
    medicine, _, _ = line.name.partition(",")  # of desiccated thyroid without the family
    return f"{in_unit(daily, line)} a day of {medicine}"


def _by_count(each: HandOver) -> DoseLine | None:
    """The daily dose of so many tablets over so many days, where it is one of quarter tablets."""
    strength, line = tablet_strength(each.product), each.product.preparation
    days, quantity = each.days, each.seen.quantity
    if strength is None or line is None or quantity is None or days == inf:
        return None
    try:
        handed_out = amount_of(quantity, "")
    except (Asked, Unreadable):
        return None
    tablets = handed_out.value / int(days)
    if handed_out.dimension is not Dimension.PIECE or (tablets * 4).denominator != 1:
        return None
    return DoseLine(line, (tablets * strength,), each.entry.path)
