"""A bundle to one patient's course of thyroid hormone over time, for the screening.

`bundle.read_record` asks what is taken today. Here every thyroid medicine counts with the days
on which it was taken, so that a change of preparation can be found and judged. Doses are read
only where two kinds of preparation stand in the record; without, there is no switch.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.fhir.read.code_tables import CodeTables
from crossgrain.fhir.read.course_facts import read_facts
from crossgrain.fhir.read.course_medicines import (
    Dated,
    dated_medicine,
    dispense_of,
    intakes_of,
)
from crossgrain.fhir.read.currency import Standing
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.person import read_person, the_patient
from crossgrain.fhir.read.reading import Reading
from crossgrain.fhir.read.resolve import BundleIndex, refuse_implicit_rules
from crossgrain.fhir.read.shapes import SHAPES
from crossgrain.fhir.version import FhirVersion
from crossgrain.screening.course import Course, Dispense, Intake, Undecided


def read_course(
    bundle: dict[str, Any],
    *,
    version: FhirVersion,
    as_of: date,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    root: str = "Bundle",
) -> Course:
    """Read one patient's course as of one day. The parameters are those of `read_record`.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable.
    Undecided
        where it cannot be told which thyroid medicines were taken when.
    """
    index = BundleIndex(bundle, root)
    patient = the_patient(index, root)
    reading = Reading(index, patient, codes, preparations, SHAPES[version], as_of, Notes())
    if patient.resource.get("deceasedBoolean") or patient.resource.get("deceasedDateTime"):
        return Course((), deceased=True)
    person = read_person(patient, as_of, reading.notes)
    medicines = list(_medicines(index, reading))
    if len({medicine.kind for medicine in medicines if _taken(medicine)}) < 2:
        return Course(())
    for medicine in medicines:
        if medicine.open_question:
            raise Undecided(medicine.open_question, (medicine.entry.reference,))
    facts = read_facts(index, reading)
    return Course(
        intakes=tuple(_counted_once(medicines, reading)),
        tsh=facts.tsh,
        free_t4=facts.free_t4,
        aims=facts.aims,
        frail=facts.frail,
        age_years=person.age_years,
        planned_until=_planned_until(medicines),
        unread_labs=facts.unread,
        dispenses=tuple(_dispenses(index, reading)),
    )


def _medicines(index: BundleIndex, reading: Reading) -> Iterator[Dated]:
    for entry in index.entries:
        refuse_implicit_rules(entry.resource, entry.path)
        if entry.kind in {"MedicationStatement", "MedicationRequest"}:
            medicine = dated_medicine(entry, reading)
            if medicine is not None:
                yield medicine


def _counted_once(medicines: list[Dated], reading: Reading) -> Iterator[Intake]:
    """The doses, without the orders that a statement of the same dose was made from.

    Where the doses differ, which of them was taken is in doubt.
    """
    read = {m.address: list(intakes_of(m, reading)) for m in medicines if _taken(m)}
    restated: set[str] = set()
    for medicine in medicines:
        for source in sorted(medicine.stems_from & set(read)):
            statement, order = read.get(medicine.address, []), read[source]
            if _said(statement) == _said(order):
                restated.add(source)
            else:
                doubt = "A statement was made from an order of another dose. Which was taken?"
                read[medicine.address] = [replace(i, doubt=doubt) for i in statement]
    for address, intakes in read.items():
        if address not in restated:
            yield from intakes


def _taken(medicine: Dated) -> bool:
    return medicine.standing.standing in {Standing.TAKEN, Standing.PAST}


def _said(intakes: list[Intake]) -> set[tuple[Kind, tuple[tuple[str, Fraction], ...]]]:
    """What is taken, and how much. An unread dose is like another only within a kind."""
    return {(intake.kind, intake.dose) for intake in intakes}


def _planned_until(medicines: list[Dated]) -> int | None:
    ends = [m.planned_until for m in medicines if m.planned_until is not None]
    return max(ends, default=None)


def _dispenses(index: BundleIndex, reading: Reading) -> Iterator[Dispense]:
    for entry in index.entries:
        if entry.kind == "MedicationDispense":
            dispense = dispense_of(entry, reading)
            if dispense is not None:
                yield dispense
