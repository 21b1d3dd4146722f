"""Which orders of a record are steps of a series of ours, known by what they say.

An order is an unchanged step only where what it orders equals what its extension says, and the
extension agrees with all others of the same plan, the care plan's among them where it came.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction

from crossgrain.fhir.read.currency import ORDERS
from crossgrain.fhir.read.elements import Dosage, View
from crossgrain.fhir.read.quantities import exact
from crossgrain.fhir.read.record import MarkedOrder, MedicineEntry
from crossgrain.fhir.read.resolve import Entry
from crossgrain.fhir.read.series_mark import mark_in
from crossgrain.fhir.read.views import MedicationRequest, view
from crossgrain.fhir.series import OrderedDose, OrderedStep, SeriesFacts
from crossgrain.fhir.series_extension import SERIES_URL

_TAKEN_UP = {"active", "on-hold", "completed"}
"""Statuses of an order or a care plan that a person has taken up and not given up."""


class _CarePlan(View):
    status: str | None = None
    intent: str | None = None


def marked_order(seen: MedicationRequest, medicine: MedicineEntry) -> MarkedOrder | None:
    """An order that carries the extension of a series, and whether it still says the same."""
    mark = mark_in(seen.extension)
    if mark is None:
        return None
    return MarkedOrder(
        medicine.reference,
        medicine.status,
        mark,
        signed=seen.intent in ORDERS and seen.status in _TAKEN_UP,
        unchanged=mark.ordered is not None and _orders(seen, medicine, mark.ordered),
    )


def marked_plan(entry: Entry) -> MarkedOrder | None:
    """A care plan that carries the extension of a series."""
    mark = mark_in(entry.resource.get("extension"))
    if mark is None:
        return None
    seen = view(entry.resource, _CarePlan, entry.path)
    signed = seen.intent in {"plan", "order"} and seen.status in _TAKEN_UP - {"completed"}
    return MarkedOrder(entry.reference, seen.status or "", mark, signed=signed, unchanged=True)


def _orders(seen: MedicationRequest, medicine: MedicineEntry, ordered: OrderedStep) -> bool:
    """Whether an order's own product, doses and dates are those that it says of itself.

    Of instructions that follow one another only those in force are read as doses; the others
    are held to their tablets.
    """
    if not medicine.lines or len(seen.dosage_instruction) != len(ordered.doses):
        return False
    if medicine.strength != ordered.strength or any(
        line.preparation.id != ordered.preparation_id for line in medicine.lines
    ):
        return False
    read = {line.origin.rpartition("[")[2].rstrip("]"): line.cycle for line in medicine.lines}
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
    if cycle is not None:
        return cycle == (dose.daily,)
    tablets = [
        exact(each.dose_quantity.value, SERIES_URL)
        for each in dosage.dose_and_rate
        if each.dose_quantity and each.dose_quantity.code == "{tbl}"
    ]
    return [count * strength * dose.times_a_day for count in tablets] == [dose.daily]


def agreed(marked: Iterable[MarkedOrder]) -> dict[str, SeriesFacts]:
    """The plans of which all that carries them says the same, by id."""
    said: dict[str, set[SeriesFacts]] = {}
    for one in marked:
        said.setdefault(one.mark.facts.plan_id, set()).add(one.mark.facts)
    return {plan_id: facts.pop() for plan_id, facts in said.items() if len(facts) == 1}


def with_known_steps(
    drafts: Sequence[MedicineEntry], marked: Sequence[MarkedOrder], as_of: date
) -> tuple[MedicineEntry, ...]:
    """The drafts, those marked as ours that are unchanged steps of a plan and not over."""
    plans = agreed(marked)
    steps = {
        one.reference
        for one in marked
        if one.unchanged
        and one.mark.facts.plan_id in plans
        and one.mark.ordered is not None
        and one.mark.ordered.last_day >= as_of
    }
    return tuple(replace(draft, ours=draft.reference in steps) for draft in drafts)
