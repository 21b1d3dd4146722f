"""Parts of an answer that say nothing of whose it is, kept for the next with the same plan.

Plans are kept by the planner, so that patients on the same doses share one. What is written
from a plan's own parts and its days alone is then written once. A function so kept is handed
those parts and a `Wording`, never the letterhead: it cannot see a patient.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache, wraps
from operator import is_
from typing import ParamSpec, Protocol, TypeVar

from crossgrain.fhir.read.code_tables import CodeTables
from crossgrain.fhir.write.words import date_words

MOST_KEPT = 256
"""Plans on given days; each takes about 200 kB in all."""
PARTS = 4
"""The series of a plan and its three branches are kept apart."""

P = ParamSpec("P")
R = TypeVar("R")


class Dates(Protocol):
    """The calendar of a plan."""

    def iso(self, number: int) -> str:
        """The calendar date of a day of the plan, as FHIR writes it."""

    def words(self, number: int) -> str:
        """The same, as a person reads it."""


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


class _These:
    """Objects that are known again as themselves, not by what is in them.

    They are held, so that none of them can make room for another at the same address.
    """

    __slots__ = ("objects",)

    def __init__(self, objects: tuple[object, ...]) -> None:
        self.objects = objects

    def __hash__(self) -> int:
        return hash(tuple(map(id, self.objects)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _These) and all(map(is_, self.objects, other.objects))


def kept(parts: int = 1) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Keep what a pure function gives for the very same objects.

    `parts` is how often it is asked in one answer. What it gives stands in many answers, so
    nobody may change it.
    """

    def keep(make: Callable[P, R]) -> Callable[P, R]:
        on: Callable[..., R] = make  # that `ask` is called rightly, its own type says

        @lru_cache(maxsize=MOST_KEPT * parts)
        def known(these: _These) -> R:
            return on(*these.objects)

        @wraps(make)
        def ask(*args: P.args, **kwargs: P.kwargs) -> R:
            return known(_These(args))

        return ask

    return keep


@lru_cache(maxsize=4096)
def _calendar(ordinal: int) -> tuple[str, str]:
    day = date.fromordinal(ordinal)
    return day.isoformat(), date_words(day)
