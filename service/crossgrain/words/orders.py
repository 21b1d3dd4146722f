"""Draft orders in plain words."""

from collections.abc import Sequence

from crossgrain.core.judge import by_date
from crossgrain.reading.record import MedicineEntry
from crossgrain.words.doses import taken


def in_words(orders: Sequence[MedicineEntry]) -> str:
    """What is ordered, dose after dose; empty where no dose was read."""
    if not any(order.lines for order in orders):
        return ""
    return ", then ".join(dict.fromkeys(taken(dose) for _, dose in by_date(orders)))
