"""A bundle of FHIR resources to a `Record`: what is taken, what is known, what is asked."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.fhir.read.code_tables import CodeTables
from crossgrain.fhir.read.history import History, read_allergy, read_condition, read_goal
from crossgrain.fhir.read.hormones import Hormone, Medicines
from crossgrain.fhir.read.labs import Labs, read_observation
from crossgrain.fhir.read.medication_entries import read_medicine
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.person import Person, read_person, the_patient
from crossgrain.fhir.read.reading import Reading
from crossgrain.fhir.read.reconcile import counted_once, days_unchanged, still_stopped
from crossgrain.fhir.read.record import Record
from crossgrain.fhir.read.resolve import BundleIndex, Entry, refuse_implicit_rules
from crossgrain.fhir.read.shapes import SHAPES, check_type
from crossgrain.fhir.version import FhirVersion
from crossgrain.safety.facts import Facts, Known

_COULD_MATTER = {
    "MedicationDispense": "a dispense is not a dose taken",
    "MedicationAdministration": "a single administration is not a regimen",
    "Procedure": "procedures are not read",
    "DiagnosticReport": "only its Observations are read, where the bundle holds them",
    "QuestionnaireResponse": "answers to questionnaires are not read",
    "Flag": "flags are not read",
    "List": "lists are not read",
    "DetectedIssue": "detected issues are not read",
    "CarePlan": "care plans are not read",
    "OperationOutcome": "the sender says that something went wrong while gathering the record",
}


def read_record(
    bundle: dict[str, Any],
    *,
    version: FhirVersion,
    as_of: date,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
    root: str = "Bundle",
) -> Record:
    """Read a record as of one day.

    Parameters
    ----------
    bundle : a decoded Bundle, its numbers `int` or `Decimal` (see `json.parse`)
    version : the FHIR version that it is of
    as_of : the day on which it is read
    codes, preparations : the tables
    root : FHIRPath of the bundle in the input

    Raises
    ------
    Unreadable
        where the input as a whole is unusable; what concerns one medicine alone becomes a
        question of the record instead.
    """
    index = BundleIndex(bundle, root)
    patient = the_patient(index, root)
    notes = Notes()
    notes.use(patient.path, patient.reference)
    reading = Reading(index, patient, codes, preparations, SHAPES[version], as_of, notes)
    _say_what_is_missing(bundle, root, notes)
    person = read_person(patient, as_of, notes)
    medicines, labs, history = Medicines(), Labs(), History()
    for entry in index.entries:
        _read_entry(entry, medicines, labs, history, reading)
    taken = counted_once(medicines.taken, codes, notes)
    return Record(
        as_of=as_of,
        patient_reference=patient.reference,
        facts=_facts(person, taken, medicines, labs, history, index),
        current=tuple(hormone.entry for hormone in taken),
        drafts=tuple(medicines.drafts),
        questions=tuple(notes.questions),
        unread=tuple(notes.passed_over),
        confirm=tuple(notes.to_confirm),
        references=tuple(notes.used.values()),
        past=tuple(hormone.entry for hormone in medicines.past),
        paths=tuple(notes.used),
    )


def _read_entry(
    entry: Entry, medicines: Medicines, labs: Labs, history: History, reading: Reading
) -> None:
    refuse_implicit_rules(entry.resource, entry.path)
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
        case "Patient" | "Medication":
            pass  # read where they are referred to
        case kind:
            check_type(kind, reading.shape, entry.path)
            if kind in _COULD_MATTER:
                reading.notes.unread(entry.path, f"{kind}: {_COULD_MATTER[kind]}")


def _facts(
    person: Person,
    taken: list[Hormone],
    medicines: Medicines,
    labs: Labs,
    history: History,
    index: BundleIndex,
) -> Facts:
    """The patient in the domain's terms; a collection is ``None`` where nothing carried it."""
    kinds = {entry.kind for entry in index.entries}
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
        regimen_changed_days_ago=days_unchanged(taken, medicines.past),
        sex=person.sex,
        goals=tuple(history.goals) if "Goal" in kinds else None,
        indications=None if medicines.indications is None else tuple(medicines.indications),
        stopped=tuple(Known(h.kind, h.entry.path, h.entry.last_day) for h in stopped)
        if medicated
        else None,
    )


def _say_what_is_missing(bundle: dict[str, Any], root: str, notes: Notes) -> None:
    links = bundle.get("link", [])
    for number, link in enumerate(links if isinstance(links, list) else []):
        if isinstance(link, dict) and link.get("relation") == "next":
            notes.confirm(
                f"{root}.link[{number}]",
                "The bundle is one page of several. Is every medicine in it?",
            )
