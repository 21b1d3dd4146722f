"""Parts of an answer that say nothing of whose it is, kept for the next with the same plan.

Plans are kept by the planner, so that patients on the same doses share one. What is written
from a plan's own parts and its days alone is then written once (`dosing.once.kept`). Such a
function is handed those parts and a `Wording`, never the letterhead: it cannot see a patient.
"""

from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from crossgrain.dosing.once import MOST_KEPT
from crossgrain.fhir.read.code_tables import CodeTables
from crossgrain.fhir.write.words import date_words

PARTS = 4
"""The series of a plan and its three branches are kept apart."""


@dataclass(frozen=True, slots=True, eq=False)
class Wording:
    """What the words of an order depend on beside its dose. Get it from `wording_for`.

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


@lru_cache(maxsize=MOST_KEPT)
def wording_for(first_ordinal: int, instructions: tuple[str, ...], codes: CodeTables) -> Wording:
    """The one wording of these days, instructions and codes."""
    return Wording(first_ordinal, instructions, codes)


@lru_cache(maxsize=4096)
def _calendar(ordinal: int) -> tuple[str, str]:
    day = date.fromordinal(ordinal)
    return day.isoformat(), date_words(day)
