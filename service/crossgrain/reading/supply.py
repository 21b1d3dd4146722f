"""What is handed out: how long it lasts, and what it tells where no order or statement does.

A hand-over is a sign that a medicine is taken, never a dose. What it says of the order that it
fulfils is held against that (`fulfilment`). Where it is all that a record holds of a hormone, the
dose that its own words, or its tablets over its days, come to is asked about, so that it need only
be confirmed.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from fractions import Fraction
from math import ceil, inf
from typing import NamedTuple

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.dose_lines import read_doses
from crossgrain.reading.elements import Asked, Dosage, Quantity, Reference, Unreadable
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
    authorizing_prescription: tuple[Reference, ...] = ()
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

    def orders(self, reading: Reading) -> Iterator[str]:
        """The orders of the record that it fulfils, by their own references."""
        for named in self.seen.authorizing_prescription:
            order = reading.index.find(named, self.entry)
            if order is not None:
                yield order.reference

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
        lasting = [each for each in several if not is_over(each, reading)]
        for each in latest_of_each_tablet(lasting or (several[-1:] if alone else ())):
            reading.notes.ask(_asked_about(each, reading))


def is_over(each: HandOver, reading: Reading) -> bool:
    """Whether its tablets were used up longer ago than a renewal may wait."""
    days = each.days if each.days < inf else reading.codes.believed.order_days
    return each.day + days + reading.codes.believed.renewal_days < 0


def latest_of_each_tablet(handed: Iterable[HandOver]) -> Iterator[HandOver]:
    """The last hand-over of each product; they come in the order of their days."""
    yield from {each.product: each for each in handed}.values()


def _asked_about(each: HandOver, reading: Reading) -> Asked:
    lasts = f", for {each.days:g} days" if each.days < inf else ""
    over = " that are over" if each.day + each.days < 0 else ""
    when = f"{-each.day} days before the day of reading{lasts}{over}"
    lines = probable_dose(each, reading)
    dose = dose_in_words(daily_of(lines), lines[0].preparation) if lines else ""
    what = f"{dose} were" if dose else f"A {each.product.kind} medicine was"
    ends = "Is that what is taken now?" if dose else "How much of it is taken a day?"
    return Asked(
        each.entry.path, f"{what} handed out {when}. No order or statement speaks of it. {ends}"
    )


def probable_dose(each: HandOver, reading: Reading) -> tuple[DoseLine, ...]:
    """What a hand-over tells in its dosages or by its tablets; empty where it tells none."""
    counted = dose_by_count(each)
    if not each.seen.dosage_instruction:
        return (counted,) if counted else ()
    lines = dose_by_dosages(each, reading)
    if not lines or not counted:
        return lines
    told = daily_of(lines), lines[0].preparation
    return lines if (counted.daily, counted.preparation) == told else ()


def dose_by_dosages(each: HandOver, reading: Reading) -> tuple[DoseLine, ...]:
    """What a hand-over says in its dosages; empty where it says none, or it is not certain."""
    dosages, apart = each.seen.dosage_instruction, Notes()
    path = f"{each.entry.path}.dosageInstruction"
    try:
        lines = read_doses(
            dosages, each.product, path, reading.with_notes(apart), dated=False
        ).lines
    except (Asked, Unreadable):
        return ()
    return () if apart.questions else lines


def dose_by_count(each: HandOver) -> DoseLine | None:
    """The daily dose of the tablets handed out over the days for which they are."""
    return _by_count(each.seen.quantity, each.days, each.product, each.entry.path)


def daily_of(lines: Iterable[DoseLine]) -> Fraction:
    """What dose lines come to a day."""
    return sum((line.daily for line in lines), Fraction(0))


def dose_in_words(daily: Fraction, line: Preparation) -> str:
    """A dose a day, and of which medicine."""
    medicine, _, _ = line.name.partition(",")  # of desiccated thyroid without the family
    return f"{in_unit(daily, line)} a day of {medicine}"


def _by_count(
    quantity: Quantity | None, days: float, product: Product, path: str
) -> DoseLine | None:
    """The daily dose of so many tablets over so many days, where it is one of quarter tablets."""
    strength, line = tablet_strength(product), product.preparation
    if strength is None or line is None or quantity is None or days == inf:
        return None
    try:
        handed_out = amount_of(quantity, "")
    except (Asked, Unreadable):
        return None
    tablets = handed_out.value / int(days)
    if handed_out.dimension is not Dimension.PIECE or (tablets * 4).denominator != 1:
        return None
    return DoseLine(line, (tablets * strength,), path)


def another_dose_supplied(seen: Seen, product: Product, lines: Sequence[DoseLine]) -> str:
    """What to confirm of an order by which other tablets a day are handed out than taken.

    A number of tablets of one supply beside the length of all of them, or the reverse, is none.
    """
    dispense = seen.dispense_request if isinstance(seen, MedicationRequest) else None
    if dispense is None or not lines:
        return ""
    days = _whole_days(dispense.expected_supply_duration)
    counted = _by_count(dispense.quantity, days, product, "")
    repeats = dispense.number_of_repeats_allowed
    supplies = 1 + repeats if type(repeats) is int and repeats > 0 else 1
    ordered = daily_of(lines)
    if counted is None or counted.preparation.id != lines[0].preparation.id:
        return ""
    if counted.daily in (ordered, ordered * supplies, ordered / supplies):
        return ""
    said, supplied = (in_unit(dose, counted.preparation) for dose in (ordered, counted.daily))
    return f"It orders {said} a day, and tablets for {supplied} a day. Is it taken as ordered?"
