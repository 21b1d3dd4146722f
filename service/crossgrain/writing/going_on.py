"""What an answer that goes on from a filed plan says and names beside its own plan."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field
from datetime import date
from fractions import Fraction
from typing import Any, Protocol

from crossgrain.core.already_ordered import OrderInForce, Product
from crossgrain.names.identity import stable_id, urn
from crossgrain.names.values import frozen
from crossgrain.reading.filed import Filed
from crossgrain.reading.series_mark import ActTaken, SeriesFacts

Part = dict[str, Any]


Spell = tuple[date, Mapping[str, Fraction]]
"""A day, and what was planned from then on: the amount a day by product line."""


class Replaceable(Protocol):
    """What an order takes the place of: how the input refers to it, and its type."""

    @property
    def reference(self) -> str: ...
    @property
    def resource_type(self) -> str: ...


@frozen
class Ended:
    """A filed order that is no longer meant from the first day of the plan on.

    Attributes
    ----------
    reference : how the input refers to it
    product : what it is for, in words
    begun : whether its first day is over
    """

    reference: str
    product: str
    begun: bool


@frozen
class Waiting:
    """A filed order whose change waits until what is asked, or what stops the climb, is settled.

    Attributes
    ----------
    reference : how the input refers to it
    goes_on : whether it gives today's dose until then: of it, the change alone waits
    by : the day by which it must be known: the last before the dose would change
    says : which order and which day, in words
    """

    reference: str
    goes_on: bool
    by: date
    says: str


@frozen
class ChangedAct:
    """A filed act with another status: it waits, or is not meant any more.

    Attributes
    ----------
    act : the Task as it is filed
    status : what it is from now on
    says : which medicine and which day, and why, in words
    """

    act: Filed
    status: str
    says: str

    @property
    def full_url(self) -> str:
        """Its address; without one, the URN of its business identifier or of its place."""
        return self.act.address or urn(self.act.name or stable_id(self.act.reference))


@frozen
class GoingOn:
    """What a next step adds to an answer.

    Attributes
    ----------
    title : the act, in words
    said : where the patient stands, what is done and why, one sentence each
    parts : the same for a machine, by the names of `rationale_parts.NEXT_STEP_PARTS`
    facts : what the plan that goes on carries; ``None`` where none runs
    act : what this visit ends with, to be carried on; ``None`` where that is open
    kept : filed orders that stand as they are
    kept_in_words : the same for a reader
    kept_draws : draws that are filed for a day already: LOINC code and date
    ended : filed orders that are no longer meant
    waiting : filed orders that are not to raise a dose for now
    acts : filed acts that are not to end a medicine for now, or not any more
    replaces : resource type → the filed resources that the new one of that type replaces
    draws : LOINC code and date of a new draw → the filed draws that it replaces
    checks : code of what is measured → the filed requests that a new one replaces
    before_today : the steps of the same course that are over, as they were planned
    before : medicine → what an order for it replaces
    to_checkpoint : whether the plan leads to day one's checkpoint, or waits there
    awaits_draw : whether it only goes on until the draw that was named before
    running : the filed care plan of the plan that goes on; empty where none is
    result : the same, where nothing of it changes
    rises : the parts of the plan in which a dose rises, and the first day on which it does
    """

    title: str
    said: tuple[str, ...]
    parts: tuple[Part, ...]
    facts: SeriesFacts | None
    act: ActTaken | None
    kept: tuple[OrderInForce, ...]
    kept_in_words: tuple[str, ...]
    kept_draws: frozenset[tuple[str, str]]
    ended: tuple[Ended, ...]
    waiting: tuple[Waiting, ...]
    acts: tuple[ChangedAct, ...]
    replaces: Mapping[str, tuple[str, ...]]
    draws: Mapping[tuple[str, str], tuple[str, ...]]
    checks: Mapping[str, tuple[str, ...]]
    before_today: tuple[Spell, ...]
    before: Mapping[str, Sequence[Replaceable]]
    to_checkpoint: bool = False
    awaits_draw: bool = False
    running: str = ""
    result: str = ""
    rises: Mapping[str, int] = field(default_factory=dict)

    @property
    def identity(self) -> Iterator[str]:
        """What tells this next step from another with the same doses: what it goes on from."""
        yield from (order.reference for order in self.kept)
        for filed in (*self.replaces.values(), *self.draws.values()):
            yield from filed

    @property
    def kept_references(self) -> frozenset[str]:
        """How the input refers to the orders that stand."""
        return frozenset(order.reference for order in self.kept)

    def kept_on(self, product: Product, day: date) -> Iterator[str]:
        """The orders of one product that stand and are followed on a day."""
        for order in self.kept:
            if order.product == product and any(
                dose.first_day <= day <= dose.last_day for dose in order.ordered.doses
            ):
                yield order.reference


def references(named: Iterable[str]) -> list[dict[str, str]]:
    """As FHIR writes them, each once."""
    return [{"reference": each} for each in dict.fromkeys(named)]
