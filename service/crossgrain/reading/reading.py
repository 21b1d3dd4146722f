"""What every resource of one record is read with."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from crossgrain.dosing.preparations import Preparation
from crossgrain.reading.budget import Budget
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.elements import CodeableConcept
from crossgrain.reading.errors import Asked
from crossgrain.reading.notes import Notes
from crossgrain.reading.product import Product
from crossgrain.reading.resolve import BundleIndex, Entry
from crossgrain.reading.shapes import Shape

Named = tuple[Product | None, CodeableConcept | None]
"""A thyroid product, if it is one, and the concept by which it is named."""


@dataclass(frozen=True, slots=True)
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

    def with_notes(self, notes: Notes) -> "Reading":
        """The same, with its notes kept apart."""
        return replace(self, notes=notes)
