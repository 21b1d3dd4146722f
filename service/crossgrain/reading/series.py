"""Which orders of a record are steps of a series of ours, known by what they say.

An order is an unchanged step only where what it orders equals what its extension says, and the
extension agrees with all others of the same plan, the care plan's among them where it came.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.tablets import DAYS_OF_WEEK, SHARED_WEEK
from crossgrain.dosing.targets import Combining
from crossgrain.names.series_extension import CONTEXTS, SERIES_URL
from crossgrain.names.values import frozen
from crossgrain.reading.currency import ORDERS
from crossgrain.reading.elements import Dosage, ReadCategory, Reference, Unreadable, View
from crossgrain.reading.quantities import exact
from crossgrain.reading.reading import Reading
from crossgrain.reading.record import MarkedOrder, MedicineEntry
from crossgrain.reading.resolve import Entry
from crossgrain.reading.series_mark import (
    OrderedDose,
    OrderedStep,
    SeriesFacts,
    SeriesMark,
    mark_in,
    says_its_series,
)
from crossgrain.reading.views import MedicationRequest, view

_TAKEN_UP = {"active", "on-hold", "completed"}
"""Statuses of an order or a care plan that a person has taken up and not given up."""


class _Carrier(View):
    status: str | None = None
    intent: str | None = None
    subject: Reference | None = None


def marked_order(
    seen: MedicationRequest, medicine: MedicineEntry, combining: Combining
) -> MarkedOrder | None:
    """An order that carries the extension of a series, and whether it still says the same."""
    mark = mark_in(seen.extension, combining)
    if mark is None:
        return None
    return MarkedOrder(
        medicine.reference,
        medicine.status,
        mark,
        signed=seen.intent in ORDERS and seen.status in _TAKEN_UP,
        unchanged=mark.ordered is not None and _orders(seen, medicine, mark.ordered),
        path=medicine.path,
    )


def marked_plan(entry: Entry, reading: Reading) -> MarkedOrder | None:
    """A care plan of this patient that carries the extension of a series."""
    mark = mark_in(entry.resource.get("extension"), reading.codes.combining)
    if mark is None:
        return None
    seen = view(entry.resource, _Carrier, entry.path)
    if reading.index.find(seen.subject, entry) != reading.patient:
        return None
    signed = seen.intent in {"plan", "order"} and seen.status in _TAKEN_UP - {"completed"}
    return _of_plan(entry, seen, mark, signed=signed)


def marked_in_plan(entry: Entry, combining: Combining) -> MarkedOrder | None:
    """What a resource of a plan that is given beside the record carries, as if it were taken up.

    ``None`` for a resource of another kind, or without the extension.

    Raises
    ------
    Unreadable
        where it carries the extension, and not as it is written.
    """
    extensions = entry.resource.get("extension")
    if entry.kind not in CONTEXTS or not says_its_series(extensions):
        return None
    mark = mark_in(extensions, combining)
    if mark is None:
        raise Unreadable(
            ReadCategory.CONFLICT,
            entry.path,
            "what this says of its plan, in its extension, cannot be read: give the whole answer in"
            " which it was proposed, or its CarePlan, as it was proposed or filed",
        )
    return _of_plan(entry, view(entry.resource, _Carrier, entry.path), mark, signed=True)


def _of_plan(entry: Entry, seen: _Carrier, mark: SeriesMark, *, signed: bool) -> MarkedOrder:
    """What cannot say otherwise than it does: a care plan, or a resource of a plan as given."""
    return MarkedOrder(
        entry.reference, seen.status or "", mark, signed=signed, unchanged=True, path=entry.path
    )


def _orders(seen: MedicationRequest, medicine: MedicineEntry, ordered: OrderedStep) -> bool:
    """Whether an order's own product, doses and dates are those that it says of itself."""
    if not medicine.lines or len(seen.dosage_instruction) != len(ordered.doses):
        return False
    if medicine.strength != ordered.strength or any(
        line.preparation.id != ordered.preparation_id for line in medicine.lines
    ):
        return False
    read = {
        line.origin.rpartition("[")[2].rstrip("]"): line.cycle
        for span in medicine.by_date
        for line in span.lines
    }
    return all(
        _is_dose(dosage, dose, ordered.strength, read.get(str(number)))
        for number, (dosage, dose) in enumerate(
            zip(seen.dosage_instruction, ordered.doses, strict=True)
        )
    )


def _is_dose(
    dosage: Dosage, dose: OrderedDose, strength: Fraction, cycle: tuple[Fraction, ...] | None
) -> bool:
    bounds, repeat = dosage.bounds, dosage.repeat
    if bounds is None or repeat is None or repeat.frequency != dose.times_a_day:
        return False
    if (bounds.start, bounds.end) != (dose.first_day.isoformat(), dose.last_day.isoformat()):
        return False
    days = tuple(DAYS_OF_WEEK.index(day) for day in repeat.day_of_week if day in DAYS_OF_WEEK)
    if repeat.day_of_week and days not in SHARED_WEEK:
        return False
    if cycle is not None:
        mean = sum(cycle, Fraction(0)) / len(cycle)
        return cycle == (dose.daily,) or (bool(days) and mean == dose.daily)
    tablets = [
        exact(each.dose_quantity.value, SERIES_URL)
        for each in dosage.dose_and_rate
        if each.dose_quantity and each.dose_quantity.code == "{tbl}"
    ]
    share = Fraction(len(days) or 7, 7)
    return [count * strength * dose.times_a_day * share for count in tablets] == [dose.daily]


def agreed(marked: Iterable[MarkedOrder]) -> dict[str, SeriesFacts]:
    """The plans of which all that carries them says the same, by id."""
    said: dict[str, set[SeriesFacts]] = {}
    for one in marked:
        said.setdefault(one.mark.facts.plan_id, set()).add(one.mark.facts)
    return {plan_id: facts.pop() for plan_id, facts in said.items() if len(facts) == 1}


def with_known_steps(
    drafts: Sequence[MedicineEntry], marked: Sequence[MarkedOrder], as_of: date
) -> tuple[MedicineEntry, ...]:
    """The drafts, those marked as ours that are unchanged steps of a plan and not over.

    Signed when its first dose is over, an order begins with the next, which nobody climbed to.
    """
    steps = {
        step.reference for step in _known_steps(marked) if step.ordered.doses[0].last_day >= as_of
    }
    return tuple(replace(draft, ours=draft.reference in steps) for draft in drafts)


@frozen
class _KnownStep:
    """An order that is an unchanged step of a plan on which all that carries it agrees."""

    reference: str
    facts: SeriesFacts
    ordered: OrderedStep
    followed: bool


def _known_steps(marked: Sequence[MarkedOrder]) -> list[_KnownStep]:
    plans = agreed(marked)
    return [
        _KnownStep(
            one.reference,
            one.mark.facts,
            one.mark.ordered,
            followed=one.signed and one.status == "active",
        )
        for one in marked
        if one.unchanged and one.mark.ordered is not None and one.mark.facts.plan_id in plans
    ]


@frozen
class Taken:
    """A medicine taken today: its kind, its own reference, and those that it was made from."""

    kind: Kind
    references: frozenset[str]


def followed_until(
    marked: Sequence[MarkedOrder],
    taken: Sequence[Taken],
    preparations: Mapping[str, Preparation],
    as_of: date,
) -> int | None:
    """The last day, counted from `as_of`, of the series that is being followed, if one is.

    One is followed where its unchanged steps stand, and nothing else is taken today but, of the
    medicines that it started from, those that no step orders today: their supply goes on. A step
    that was edited, or lost what it says of itself, is therefore judged like any order.
    """
    steps = [step for step in _known_steps(marked) if step.followed]
    ends = [
        (max(step.ordered.last_day for step in plan) - as_of).days
        for plan_id in {step.facts.plan_id for step in steps}
        if (plan := [step for step in steps if step.facts.plan_id == plan_id])
        and _explains(plan, taken, preparations, as_of)
    ]
    return max(ends, default=None)


def _explains(
    plan: Sequence[_KnownStep],
    taken: Sequence[Taken],
    preparations: Mapping[str, Preparation],
    as_of: date,
) -> bool:
    """Whether all that is taken today is the plan's, or what was taken before it."""
    own = {step.reference for step in plan}
    ordered = {
        step.ordered.preparation_id
        for step in plan
        if step.ordered.first_day <= as_of <= step.ordered.last_day
    }
    before = {preparation_id for preparation_id, _ in plan[0].facts.original}
    going_on = _kinds(before, preparations) - _kinds(ordered, preparations)
    return all(own & each.references or each.kind in going_on for each in taken)


def _kinds(ids: Iterable[str], preparations: Mapping[str, Preparation]) -> set[Kind]:
    return {preparations[each].kind for each in ids if each in preparations}
