"""A bundle of FHIR resources to a `Record`: what is taken, what is known, what is asked."""

from collections.abc import Iterator, Mapping
from datetime import date
from functools import partial
from typing import Any

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.version import FhirVersion
from crossgrain.reading.budget import refuse_drafts_above
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.door import Opened, open_record
from crossgrain.reading.history import History, read_allergy, read_condition, read_goal
from crossgrain.reading.hormones import Hormone, Medicines
from crossgrain.reading.labs import Labs, read_observation
from crossgrain.reading.medication_entries import read_medicine
from crossgrain.reading.notes import Notes
from crossgrain.reading.person import Person
from crossgrain.reading.reading import Reading
from crossgrain.reading.reconcile import counted_once, days_unchanged, still_stopped
from crossgrain.reading.record import Record
from crossgrain.reading.resolve import Entry
from crossgrain.reading.series import marked_plan, with_known_steps
from crossgrain.reading.taking import ask_about_denials
from crossgrain.safety.facts import Facts, Known


def read_record(
    bundle: dict[str, Any],
    *,
    version: FhirVersion,
    as_of: date,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    root: str = "Bundle",
) -> Record:
    """Read a record as of one day. The parameters are those of `open_record`.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable; what concerns one medicine alone becomes a
        question of the record instead.
    """
    opened = open_record(
        bundle, version=version, as_of=as_of, codes=codes, preparations=preparations, root=root
    )
    reading, notes = opened.reading, opened.reading.notes
    medicines, labs, history = Medicines(), Labs(), History()
    for entry in opened.entries():
        opened.read(entry, partial(_read_entry, entry, medicines, labs, history, reading))
    refuse_drafts_above(len(medicines.drafts), root)
    taken = counted_once(medicines.taken, codes, notes)
    claims = [hormone.claim for hormone in taken]
    ask_about_denials(claims, medicines.denials, medicines.standing_orders(codes.believed), notes)
    return Record(
        as_of=as_of,
        patient_reference=reading.patient.reference,
        facts=_facts(opened.person, taken, medicines, labs, history, reading),
        current=tuple(hormone.entry for hormone in taken),
        drafts=with_known_steps(medicines.drafts, medicines.marked, as_of),
        questions=tuple(notes.questions),
        unread=tuple(notes.passed_over),
        confirm=tuple(notes.to_confirm),
        references=tuple(notes.used.values()),
        past=tuple(hormone.entry for hormone in medicines.past),
        paths=tuple(notes.used),
        ahead=tuple(medicines.ahead),
        marked=tuple(medicines.marked),
    )


def orders_for_hormone(opened: Opened) -> Iterator[Entry]:
    """The orders that are for thyroid hormone, or of which it is asked whether they are.

    Each is read apart from the others, and all of them over what stands around them, which is
    read once.

    Raises
    ------
    Unreadable
        where the input as a whole is unusable, or an order that may be for hormone is.
    """
    entries = opened.reading.index.entries
    orders = [entry for entry in entries if entry.kind == "MedicationRequest"]
    around = Medicines(), Labs(), History(), opened.reading
    for entry in entries:
        if entry.kind != "MedicationRequest" and opened.admits(entry):
            opened.read(entry, partial(_read_entry, entry, *around))
    in_doubt = bool(opened.reading.notes.questions)
    for order in orders:
        apart, found = opened.with_notes(Notes()), Medicines()
        if apart.admits(order):
            read = partial(read_medicine, order, found, History(), apart.reading)
            apart.read(order, read)
        if in_doubt or apart.reading.notes.questions or found.drafts:
            yield order


def _read_entry(
    entry: Entry, medicines: Medicines, labs: Labs, history: History, reading: Reading
) -> None:
    match entry.kind:
        case "MedicationStatement" | "MedicationRequest":
            read_medicine(entry, medicines, history, reading)
        case "Observation":
            read_observation(entry, labs, reading)
        case "Condition":
            read_condition(entry, history, reading)
        case "AllergyIntolerance":
            read_allergy(entry, history, reading)
        case "Goal":
            read_goal(entry, history, reading)
        case "CarePlan":
            _read_care_plan(entry, medicines, reading)


def _read_care_plan(entry: Entry, medicines: Medicines, reading: Reading) -> None:
    """Only what it says of a series of ours, and only where it is this patient's."""
    marked = marked_plan(entry, reading)
    if marked is None:
        reading.notes.unread(entry.path, "CarePlan: care plans are not read")
        return
    reading.notes.use(entry.path, entry.reference)
    medicines.marked.append(marked)


def _facts(
    person: Person,
    taken: list[Hormone],
    medicines: Medicines,
    labs: Labs,
    history: History,
    reading: Reading,
) -> Facts:
    """The patient in the domain's terms; a collection is ``None`` where nothing carried it."""
    kinds = {entry.kind for entry in reading.index.entries}
    medicated = bool(kinds & {"MedicationStatement", "MedicationRequest"})
    stopped = still_stopped(medicines.past, taken)
    return Facts(
        regimen=Regimen(tuple(line for hormone in taken for line in hormone.entry.lines)),
        age_years=person.age_years,
        weight_kg=labs.weight_kg,
        measurements=tuple(labs.measurements) if "Observation" in kinds else None,
        conditions=tuple(history.conditions) if "Condition" in kinds else None,
        allergies=tuple(history.allergies) if "AllergyIntolerance" in kinds else None,
        medicines=tuple(history.medicines) if medicated else None,
        pregnant=labs.pregnant,
        regimen_changed_days_ago=days_unchanged(taken, medicines.past, reading.codes.believed),
        sex=person.sex,
        goals=tuple(history.goals) if "Goal" in kinds else None,
        indications=None if medicines.indications is None else tuple(medicines.indications),
        stopped=tuple(Known(h.kind, h.entry.path, h.entry.last_day) for h in stopped)
        if medicated
        else None,
    )
