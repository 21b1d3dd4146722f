"""What was read from a record: the domain's facts, with the way back to each element.

FHIRPaths are from the record's root, e.g.
``Bundle.entry[2].resource.dosage[0].doseAndRate[0].dose``.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import field
from datetime import date
from fractions import Fraction
from typing import Any

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine, Regimen
from crossgrain.names.values import frozen
from crossgrain.reading.elements import Asks, CodeableConcept
from crossgrain.reading.series_mark import SeriesMark
from crossgrain.safety.facts import Facts


@frozen
class Question:
    """Something that must be answered before a dose can be computed.

    Attributes
    ----------
    expression, question : FHIRPath of the element, and what is asked of it
    asks : what kind of answer settles it
    of : FHIRPath of the medicine that it is asked of, where the expression lies in another resource
    beside : FHIRPath of the other resource where two are asked about
    """

    expression: str
    question: str
    asks: Asks = Asks.OTHER
    of: str = field(default="", compare=False)
    beside: str = field(default="", compare=False)


@frozen
class Confirmed:
    """A question that the caller answered: where, what was asked, and the answer in words."""

    expression: str
    question: str
    answer: str


@frozen
class Testimony:
    """What the caller answered, and the resources in which they did, each with its address."""

    confirmed: tuple[Confirmed, ...] = ()
    sources: tuple[tuple[str, Mapping[str, Any]], ...] = ()


NOTHING_ANSWERED = Testimony()


@frozen
class Unread:
    """An element that was passed over and could matter, and why."""

    expression: str
    why: str


@frozen
class Span:
    """Dose lines that hold together from one day to another, relative to as-of.

    `first_day` and `last_day` are both included; ``None`` where the record does not say.
    """

    first_day: int | None
    last_day: int | None
    lines: tuple[DoseLine, ...]

    def holds(self, day: int) -> bool:
        """Whether they are taken on a day."""
        return (self.first_day or 0) <= day and (self.last_day is None or day <= self.last_day)


@frozen
class MarkedOrder:
    """An order, or a care plan, that carries the extension of a series of ours.

    Attributes
    ----------
    reference, status : of the resource
    path : FHIRPath of it, in the record or in a plan that came beside it
    mark : what the extension says
    signed : a person made an order of it, or took the care plan up
    unchanged : the order itself still says what its extension says; of a care plan, true
    """

    reference: str
    status: str
    mark: SeriesMark
    signed: bool
    unchanged: bool
    path: str = field(default="", compare=False)


@frozen
class MedicineEntry:
    """One medication resource that carries a thyroid hormone.

    Attributes
    ----------
    reference : how the input itself would refer to it: its ``fullUrl`` when that is a URN,
        else ``Type/id``
    resource_type : ``MedicationStatement`` or ``MedicationRequest``
    path : FHIRPath of the resource
    lines : its dose lines; each `DoseLine.origin` is the FHIRPath of the dosage. Of a medicine
        taken now those that hold today, of one taken before the last, of a draft all
    status : as written
    draft : a request that is not yet signed (an order to judge, not a medicine taken)
    ours : an unchanged step of a series of ours, known by its content
    option : a proposal that waits for a choice: not an order to judge
    spans : its doses by date, where the resource orders several one after the other
    from_text : something in it was read from free text and needs confirmation
    encounter, requester : references to carry over to the proposals, as written
    reasons : why it is taken, where that is hypothyroidism, as written
    first_day, last_day : start and end relative to as-of, when known, over all of its doses
    replaces : the order that this one takes the place of, as written
    replaced : the same, where it is in the record, by that one's own `reference`
    strength : of one of its tablets, in the unit of its lines; ``None`` where it is not said
    """

    reference: str
    resource_type: str
    path: str
    lines: tuple[DoseLine, ...]
    status: str
    draft: bool = False
    ours: bool = False
    option: bool = False
    spans: tuple[Span, ...] = ()
    from_text: bool = False
    encounter: str | None = None
    requester: str | None = None
    reasons: tuple[CodeableConcept, ...] = ()
    first_day: int | None = None
    last_day: int | None = None
    replaces: str | None = None
    replaced: str | None = None
    strength: Fraction | None = None

    @property
    def state(self) -> str:
        """How it stands, for a reader: a draft, or its status."""
        return "draft" if self.draft else self.status

    @property
    def kinds(self) -> frozenset[Kind]:
        """The kinds of hormone in its lines."""
        return frozenset(line.preparation.kind for line in self.lines)

    @property
    def by_date(self) -> tuple[Span, ...]:
        """Its doses by date; one where it holds one dose all along."""
        return self.spans or (Span(self.first_day, self.last_day, self.lines),)

    @property
    def over(self) -> tuple[Span, ...]:
        """Those of its doses that have ended."""
        return tuple(s for s in self.by_date if s.last_day is not None and s.last_day < 0)

    @property
    def lasts_until(self) -> int | None:
        """The last day of the dose that holds today, or held last; ``None`` where it goes on."""
        dose = _daily(self.lines)
        changes = (
            span.first_day - 1
            for span in self.by_date
            if span.first_day is not None and span.first_day > 0 and _daily(span.lines) != dose
        )
        return min(changes, default=self.last_day)

    @property
    def since(self) -> int | None:
        """The first day of the dose that holds today, or held last, when known."""
        begun = [span.first_day for span in self.by_date if (span.first_day or 0) <= 0]
        return begun[-1] if begun else self.first_day


def _daily(lines: Iterable[DoseLine]) -> Mapping[Preparation, Fraction]:
    """What some lines give a day of each preparation."""
    daily: dict[Preparation, Fraction] = defaultdict(Fraction)
    for line in lines:
        daily[line.preparation] += line.daily
    return daily


@frozen
class Record:
    """A record read as of one day.

    `current` are the medicines taken now, `drafts` the unsigned thyroid hormone orders.
    `references` names every resource that was used, in order. `past` are the thyroid medicines
    that were stopped or paused, with their dose lines as far as these could be read.
    """

    as_of: date
    patient_reference: str
    facts: Facts
    current: tuple[MedicineEntry, ...]
    drafts: tuple[MedicineEntry, ...] = ()
    questions: tuple[Question, ...] = ()
    unread: tuple[Unread, ...] = ()
    confirm: tuple[Question, ...] = ()
    """What was read from text: a series may follow, marked as to be confirmed."""
    references: tuple[str, ...] = field(default=())
    paths: tuple[str, ...] = field(default=())
    """FHIRPath of each of `references`, in the same order: from a path back to a reference."""
    past: tuple[MedicineEntry, ...] = ()
    ahead: tuple[MedicineEntry, ...] = ()
    """Orders that are signed and begin later."""
    marked: tuple[MarkedOrder, ...] = ()
    """Whatever carries the extension of a series of ours, however it stands."""
    testimony: Testimony = NOTHING_ANSWERED
    """What was answered of it beside the record."""
    root: str = "Bundle"
    """FHIRPath of the record itself: where a question points that is about nothing smaller."""

    @property
    def regimen(self) -> Regimen:
        """Everything taken now, as one regimen."""
        return Regimen(tuple(line for entry in self.current for line in entry.lines))
