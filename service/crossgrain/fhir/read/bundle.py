"""A bundle of FHIR resources to a `Record`: what is taken, what is known, what is asked."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.fhir.read.codes import CodeTables
from crossgrain.fhir.read.errors import Category, Unreadable
from crossgrain.fhir.read.history import read_allergy, read_condition
from crossgrain.fhir.read.labs import Labs, read_observation
from crossgrain.fhir.read.medication_entries import Medicines, Reading, read_medicine
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.person import check_subject, read_age, the_patient
from crossgrain.fhir.read.reconcile import counted_once
from crossgrain.fhir.read.record import MedicineEntry, Record
from crossgrain.fhir.read.resolve import BundleIndex, Entry
from crossgrain.fhir.read.shapes import SHAPES, check_type
from crossgrain.fhir.read.views import Reference, view
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
    medicines, labs = Medicines(), Labs()
    conditions: list[Known] = []
    allergies: list[Known] = []
    age = read_age(patient, as_of, notes)
    _say_what_is_missing(bundle, root, notes)
    for entry in index.entries:
        _check_rules(entry)
        match entry.kind:
            case "MedicationStatement" | "MedicationRequest":
                read_medicine(entry, medicines, reading)
            case "Observation":
                read_observation(entry, labs, codes, as_of, notes)
            case "Condition":
                _check_owner(entry, "subject", reading)
                read_condition(entry, conditions, codes.concerns.conditions, as_of, notes)
            case "AllergyIntolerance":
                _check_owner(entry, "patient", reading)
                read_allergy(entry, allergies, codes.concerns.allergies, as_of, notes)
            case "Patient" | "Medication":
                pass
            case kind:
                check_type(kind, reading.shape, entry.path)
                if kind in _COULD_MATTER:
                    notes.unread(entry.path, f"{kind}: {_COULD_MATTER[kind]}")
    current = counted_once(medicines.taken, notes)
    kinds = {entry.kind for entry in index.entries}
    facts = Facts(
        regimen=Regimen(tuple(line for entry in current for line in entry.lines)),
        age_years=age,
        weight_kg=labs.weight_kg,
        measurements=tuple(labs.measurements) if "Observation" in kinds else None,
        conditions=tuple(conditions) if "Condition" in kinds else None,
        allergies=tuple(allergies) if "AllergyIntolerance" in kinds else None,
        medicines=tuple(medicines.others)
        if kinds & {"MedicationStatement", "MedicationRequest"}
        else None,
        pregnant=labs.pregnant,
        regimen_changed_days_ago=_changed_days_ago(current),
    )
    return Record(
        as_of=as_of,
        patient_reference=patient.reference,
        facts=facts,
        current=current,
        drafts=tuple(medicines.drafts),
        questions=tuple(notes.questions),
        unread=tuple(notes.passed_over),
        confirm=tuple(notes.to_confirm),
        references=tuple(notes.used.values()),
    )


def _check_rules(entry: Entry) -> None:
    if entry.resource.get("implicitRules") is not None:
        raise Unreadable(
            Category.NOT_SUPPORTED,
            f"{entry.path}.implicitRules",
            "implicit rules are not followed, so this resource cannot be read",
        )


def _check_owner(entry: Entry, element: str, reading: Reading) -> None:
    raw = entry.resource.get(element)
    path = f"{entry.path}.{element}"
    subject = view(raw, Reference, path) if raw is not None else None
    check_subject(subject, reading.patient, path, reading.notes)


def _say_what_is_missing(bundle: dict[str, Any], root: str, notes: Notes) -> None:
    links = bundle.get("link", [])
    for number, link in enumerate(links if isinstance(links, list) else []):
        if isinstance(link, dict) and link.get("relation") == "next":
            notes.confirm(
                f"{root}.link[{number}]",
                "The bundle is one page of several. Is every medicine in it?",
            )


def _changed_days_ago(current: tuple[MedicineEntry, ...]) -> int | None:
    """Days since the latest start among the medicines taken, where every start is known."""
    starts = [entry.first_day for entry in current]
    known = [start for start in starts if start is not None]
    return -max(known) if known else None
