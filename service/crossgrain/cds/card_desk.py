"""What one card is written from."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from crossgrain.cds.hook import Draft
from crossgrain.cds.record import Assembled
from crossgrain.names.identity import stable_id
from crossgrain.reading.record import MedicineEntry


@dataclass(frozen=True, slots=True)
class CardDesk:
    """One call and what was made of it.

    Attributes
    ----------
    instance : the hook's, from which the card's own name is made
    drafts : the orders as they were sent
    selected : those that cards may be about
    not_whole : what of the record is missing, in words
    answer : the proposal as a Bundle, where it holds a plan
    page : the plan sheet of that proposal
    """

    instance: str
    assembled: Assembled
    drafts: Sequence[Draft]
    selected: frozenset[str]
    not_whole: tuple[str, ...] = ()
    answer: dict[str, Any] | None = None
    page: str = ""

    def uuid(self, what: str) -> str:
        """The stable name of a card or a suggestion of this call."""
        return stable_id(f"{self.instance.lower()}|{what}")

    def in_hand(self, orders: Iterable[MedicineEntry]) -> list[MedicineEntry]:
        """The orders that a card may be about."""
        return [o for o in orders if self.assembled.reference(o.reference) in self.selected]
