"""A bundle to one patient's course of thyroid hormone over time, for the screening.

`bundle.read_record` asks what is taken today. Here every thyroid medicine counts with the days
on which it was taken, so that a change of preparation can be found and judged. Doses are read
only where two kinds of preparation stand in the record; without, there is no switch.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.version import FhirVersion
from crossgrain.reading.budget import MOST_RESOURCES
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.course_facts import read_facts
from crossgrain.reading.course_intakes import counted_once
from crossgrain.reading.course_medicines import Dated, dated_medicine, dispense_of
from crossgrain.reading.currency import Standing
from crossgrain.reading.door import Opened, open_record
from crossgrain.reading.reading import Reading
from crossgrain.reading.resolve import Entry
from crossgrain.reading.series import Taken, followed_until, marked_plan
from crossgrain.screening.course import Course, Dispense, Undecided


def read_course(
    bundle: dict[str, Any],
    *,
    version: FhirVersion,
    as_of: date,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    root: str = "Bundle",
    most_resources: int | None = MOST_RESOURCES,
) -> Course:
    """Read one patient's course as of one day. The parameters are those of `open_record`.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable.
    Undecided
        where it cannot be told which thyroid medicines were taken when.
    """
    opened = open_record(
        bundle,
        version=version,
        as_of=as_of,
        codes=codes,
        preparations=preparations,
        root=root,
        most_resources=most_resources,
    )
    return course_in(opened)


def course_in(opened: Opened) -> Course:
    """The course of a record that was opened; its notes are filled on the way.

    Raises
    ------
    Unreadable, Undecided
        as for `read_course`.
    """
    reading = opened.reading
    entries = list(opened.entries())
    if opened.person.deceased:
        return Course((), deceased=True)
    for question in reading.notes.questions:
        raise Undecided(question.question, (reading.patient.reference,))
    medicines = list(_medicines(entries, opened))
    if len({medicine.kind for medicine in medicines if medicine.taken}) < 2:
        _refuse_where_all_is_given_up(medicines)
        return Course(())
    for medicine in medicines:
        if medicine.open_question:
            raise Undecided(medicine.open_question, (medicine.entry.reference,))
    facts = read_facts(entries, opened)
    return Course(
        intakes=tuple(counted_once(medicines, reading)),
        tsh=facts.tsh,
        free_t4=facts.free_t4,
        aims=facts.aims,
        frail=facts.frail,
        age_years=opened.person.age_years,
        planned_until=_followed_until(entries, medicines, reading),
        unread_labs=facts.unread,
        dispenses=tuple(_dispenses(entries, opened)),
    )


def _medicines(entries: Sequence[Entry], opened: Opened) -> Iterator[Dated]:
    for entry in entries:
        if entry.kind in {"MedicationStatement", "MedicationRequest"}:
            medicine = opened.read(entry, partial(dated_medicine, entry, opened.reading))
            if medicine is not None:
                yield medicine


def _refuse_where_all_is_given_up(medicines: Sequence[Dated]) -> None:
    """One preparation was taken and is no more, and another is said not to be taken.

    Raises
    ------
    Undecided
        since the patient is on neither.
    """
    if any(medicine.standing.standing is Standing.TAKEN for medicine in medicines):
        return
    kinds = {medicine.kind for medicine in medicines if medicine.taken}
    untaken = [m for m in medicines if not m.taken and m.kind not in kinds and m.says_so]
    if kinds and untaken:
        raise Undecided(
            "one thyroid medicine is over, and another is said not to be taken",
            tuple(medicine.reference for medicine in medicines),
        )


def _followed_until(
    entries: Sequence[Entry], medicines: list[Dated], reading: Reading
) -> int | None:
    """The last day of a series of ours that is being followed, known by what its orders say."""
    marked = [medicine.marked for medicine in medicines if medicine.marked]
    if not marked:
        return None
    plans = [marked_plan(entry, reading) for entry in entries if entry.kind == "CarePlan"]
    taken = [
        Taken(medicine.kind, medicine.stems_from | {medicine.entry.reference})
        for medicine in medicines
        if medicine.standing.standing is Standing.TAKEN
    ]
    marked += [plan for plan in plans if plan]
    return followed_until(marked, taken, reading.preparations, reading.as_of)


def _dispenses(entries: Sequence[Entry], opened: Opened) -> Iterator[Dispense]:
    for entry in entries:
        if entry.kind == "MedicationDispense":
            dispense = opened.read(entry, partial(dispense_of, entry, opened.reading))
            if dispense is not None:
                yield dispense
