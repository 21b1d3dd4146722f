"""What every resource of one record is read with."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from crossgrain.dosing.preparations import Preparation
from crossgrain.fhir.read.code_tables import CodeTables
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.resolve import BundleIndex, Entry
from crossgrain.fhir.read.shapes import Shape


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
    """

    index: BundleIndex
    patient: Entry
    codes: CodeTables
    preparations: Mapping[str, Preparation]
    shape: Shape
    as_of: date
    notes: Notes

    def with_notes(self, notes: Notes) -> "Reading":
        """The same, with its notes kept apart."""
        return replace(self, notes=notes)
