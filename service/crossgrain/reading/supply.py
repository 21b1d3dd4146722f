"""How long what an order hands out lasts: by what it says, and by how many tablets are taken."""

from fractions import Fraction
from math import ceil, inf

from crossgrain.reading.elements import Asked, Quantity, Unreadable
from crossgrain.reading.medication_resources import Seen
from crossgrain.reading.quantities import Dimension, amount_of
from crossgrain.reading.views import MedicationRequest

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
