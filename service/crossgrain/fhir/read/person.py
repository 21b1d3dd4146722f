"""The patient of a record: exactly one, and how old."""

from dataclasses import dataclass
from datetime import date

from crossgrain.fhir.read.dates import full_years, read_date
from crossgrain.fhir.read.elements import Reference
from crossgrain.fhir.read.errors import Asked, Category, Unreadable
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.resolve import BundleIndex, Entry, local
from crossgrain.fhir.read.views import Patient, view
from crossgrain.safety.facts import Sex


def the_patient(index: BundleIndex, root: str) -> Entry:
    """The one Patient of the bundle.

    Raises
    ------
    Unreadable
        ``conflict`` for several, ``structure`` for none.
    """
    patients = [entry for entry in index.entries if entry.kind == "Patient"]
    if not patients:
        raise Unreadable(Category.STRUCTURE, root, "the Bundle holds no Patient")
    if len(patients) > 1:
        raise Unreadable(
            Category.CONFLICT,
            patients[1].path,
            "the Bundle holds several patients; a record is of one",
        )
    return patients[0]


_SEXES = {sex.value: sex for sex in Sex}


@dataclass(frozen=True, slots=True)
class Person:
    """What the Patient says of itself."""

    age_years: int | None
    sex: Sex | None


def read_person(patient: Entry, as_of: date, notes: Notes) -> Person:
    """Age in completed years, and sex; a deceased patient is asked about.

    Raises
    ------
    Unreadable
        for an unknown modifier, or a birth date after the day of reading.
    """
    seen = view(patient.resource, Patient, patient.path)
    if seen.modifier:
        raise Unreadable(
            Category.NOT_SUPPORTED,
            f"{patient.path}.modifierExtension",
            "the Patient carries a modifier that is not known",
        )
    if seen.deceased_boolean or seen.deceased_date_time:
        notes.ask(
            Asked(
                f"{patient.path}.deceased",
                "The patient is recorded as deceased. Is this the right record?",
            )
        )
    age = _age(seen.birth_date, f"{patient.path}.birthDate", as_of, notes)
    return Person(age, _SEXES.get(seen.gender or ""))


def _age(birth_date: str | None, path: str, as_of: date, notes: Notes) -> int | None:
    """Completed years; a birth date without a day gives the lowest age that it allows."""
    if birth_date is None:
        return None
    born = read_date(birth_date, path)
    if born.first > as_of:
        raise Unreadable(Category.VALUE, path, "this birth date is after the day of reading")
    if not born.exact:
        notes.unread(path, "it names no day, so the age was taken as the lowest that it allows")
    return full_years(min(born.last, as_of), as_of)


def check_subject(subject: Reference | None, patient: Entry, expression: str, notes: Notes) -> None:
    """Refuse a resource that is of someone else.

    Raises
    ------
    Unreadable
        ``conflict`` where it refers to another patient.
    """
    if subject is None or subject.reference is None:
        notes.unread(expression, "it does not say whose it is; it was read as this patient's")
        return
    said = subject.reference
    if said == patient.reference:
        return
    if local(said) not in (local(patient.reference), f"Patient/{patient.resource.get('id')}"):
        raise Unreadable(
            Category.CONFLICT, expression, "this is of another patient; a record is of one"
        )
