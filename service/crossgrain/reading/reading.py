"""What every resource of one record is read with, and what the reader notes along the way."""

import re
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from datetime import date
from zoneinfo import ZoneInfo

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.values import frozen
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.elements import Asked, Asks, CodeableConcept
from crossgrain.reading.product import Product
from crossgrain.reading.record import Question, Unread
from crossgrain.reading.resolve import Budget, BundleIndex, Entry
from crossgrain.reading.shapes import Shape


@frozen
class Vouched:
    """What the caller has answered that no element of a resource could say.

    Attributes
    ----------
    yes : what was answered with yes: the expression, and what it asks
    meant : FHIRPath of a medicine → what it is; ``None`` for no thyroid hormone
    """

    yes: frozenset[tuple[str, Asks]] = frozenset()
    meant: Mapping[str, Preparation | None] = field(default_factory=dict)

    def and_also(self, other: "Vouched") -> "Vouched":
        """Both together."""
        return Vouched(self.yes | other.yes, {**self.meant, **other.meant})


NOTHING_VOUCHED = Vouched()


@dataclass(slots=True)
class Notes:
    """Filled in the order of the record; each line once. What is `settled` is not asked again."""

    questions: dict[Question, None] = field(default_factory=dict)
    passed_over: dict[Unread, None] = field(default_factory=dict)
    to_confirm: dict[Question, None] = field(default_factory=dict)
    used: dict[str, str] = field(default_factory=dict)
    """FHIRPath of each resource that was used → its reference."""
    settled: Vouched = NOTHING_VOUCHED

    def ask(self, asked: Asked, of: str = "") -> None:
        """Keep a question that must be answered before a dose can be computed.

        `of` is the medicine that is read, where that is not where the expression lies.
        """
        if not self.says_yes(asked.expression, asked.asks):
            question = Question(
                asked.expression, asked.question, asked.asks, of or asked.expression, asked.beside
            )
            self.questions[question] = None

    def says_yes(self, expression: str, asks: Asks) -> bool:
        """Whether the caller has answered this with yes."""
        return (expression, asks) in self.settled.yes

    def unread(self, expression: str, why: str) -> None:
        """Say that an element was passed over, and why."""
        self.passed_over[Unread(expression, why)] = None

    def confirm(self, expression: str, question: str) -> None:
        """Say what was read without certainty and is to be confirmed."""
        self.to_confirm[Question(expression, question)] = None

    def use(self, path: str, reference: str) -> None:
        """Remember that the resource at `path` went into the answer."""
        self.used[path] = reference

    @property
    def asked_about(self) -> frozenset[str]:
        """Paths of the resources of which something is asked."""
        return frozenset(resource_of(question.of) for question in self.questions)

    def forget(self, paths: AbstractSet[str]) -> None:
        """Drop what is asked, or to be confirmed, of resources that turned out not to count.

        `paths` are those of resources, as in ``Bundle.entry[2].resource``.
        """
        for noted in (self.questions, self.to_confirm) if paths else ():
            for question in [
                q for q in noted if not paths.isdisjoint(map(resource_of, (q.expression, q.of)))
            ]:
                del noted[question]


_ENTRY = re.compile(r".*?\.entry\[\d+\]\.resource")


def resource_of(expression: str) -> str:
    """The path of the record's resource that an expression lies in, wherever the record stands.

    >>> resource_of("Parameters.parameter[1].resource.entry[2].resource.dosage[0]")
    'Parameters.parameter[1].resource.entry[2].resource'
    """
    found = _ENTRY.match(expression)
    return found[0] if found else expression


Named = tuple[Product | None, CodeableConcept | None]
"""A thyroid product, if it is one, and the concept by which it is named."""


@frozen
class Reading:
    """The record, the tables and the notes of one reading.

    Attributes
    ----------
    index : every entry of the bundle
    patient : the one Patient
    codes, preparations : the tables
    shape : what the FHIR version looks like
    as_of : the day on which the record is read
    notes : filled as reading goes on
    budget : what was spent so far
    products : path of each Medication that was looked into → what it is, or what is to be asked
    reasons : path of each Condition that a medicine refers to → our keys of it
    inside : path of what contains resources → the place of each by its id
    language : of the resource that is read, where it says so
    zone : of the place where the record is read, where that is known
    """

    index: BundleIndex
    patient: Entry
    codes: CodeTables
    preparations: Mapping[str, Preparation]
    shape: Shape
    as_of: date
    notes: Notes
    budget: Budget = field(default_factory=Budget)
    products: dict[str, Named | Asked | None] = field(default_factory=dict)
    reasons: dict[str, tuple[str, ...]] = field(default_factory=dict)
    inside: dict[str, dict[str, int]] = field(default_factory=dict)
    language: str = ""
    zone: ZoneInfo | None = None

    @property
    def calendar(self) -> Calendar:
        """The day of reading, and the day of what is dated where the record is read."""
        return Calendar(self.as_of, self.zone)

    def in_language(self, language: str | None) -> "Reading":
        """The same, for a resource in that language."""
        return replace(self, language=language) if language else self

    def with_notes(self, notes: Notes) -> "Reading":
        """The same, with its notes kept apart."""
        return replace(self, notes=notes)
