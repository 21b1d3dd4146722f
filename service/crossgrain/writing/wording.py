"""The days of a plan, and what else the words of an order depend on beside its dose."""

from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from crossgrain.reading.code_tables import CodeTables
from crossgrain.words.doses import date_words


@dataclass(frozen=True, slots=True)
class Wording:
    """What says nothing of whose the plan is.

    Attributes
    ----------
    first_ordinal : day 0
    instructions : what the findings add to the instruction of every order
    codes : verified codes of the products
    """

    first_ordinal: int
    instructions: tuple[str, ...]
    codes: CodeTables

    def iso(self, number: int) -> str:
        """The calendar date of a day of the plan, as FHIR writes it."""
        return _calendar(self.first_ordinal + number)[0]

    def words(self, number: int) -> str:
        """The same, as a person reads it."""
        return _calendar(self.first_ordinal + number)[1]


@lru_cache(maxsize=4096)
def _calendar(ordinal: int) -> tuple[str, str]:
    day = date.fromordinal(ordinal)
    return day.isoformat(), date_words(day)
