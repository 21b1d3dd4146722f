"""The patient of a record: exactly one, and how old."""

from collections.abc import Iterator
from datetime import date

from crossgrain.names.values import frozen
from crossgrain.reading.elements import (
    Asked,
    Asks,
    Identifier,
    ReadCategory,
    Reference,
    Unreadable,
    full_years,
    read_date,
)
from crossgrain.reading.reading import Notes
from crossgrain.reading.resolve import BundleIndex, Entry, without_version
from crossgrain.reading.views import Patient, view
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
        raise Unreadable(ReadCategory.STRUCTURE, root, "the Bundle holds no Patient")
    if len(patients) > 1:
        raise Unreadable(
            ReadCategory.CONFLICT,
            patients[1].path,
            "the Bundle holds several patients; a record is of one",
        )
    return patients[0]


_SEXES = {sex.value: sex for sex in Sex}


@frozen
class Person:
    """What the Patient says of itself."""

    age_years: int | None
    sex: Sex | None
    deceased: bool = False


def read_person(patient: Entry, as_of: date, notes: Notes) -> Person:
    """Age in completed years, and sex; a patient who may be the wrong one is asked about.

    Raises
    ------
    Unreadable
        for an unknown modifier, or a birth date after the day of reading.
    """
    seen = view(patient.resource, Patient, patient.path)
    if seen.modifier:
        raise Unreadable(
            ReadCategory.NOT_SUPPORTED,
            f"{patient.path}.modifierExtension",
            "the Patient carries a modifier that is not known",
        )
    for element, question in _what_makes_it_the_wrong_one(seen):
        notes.ask(Asked(f"{patient.path}.{element}", question, Asks.RIGHT_RECORD))
    for number, link in enumerate(seen.link):
        if link.type in {"refer", "seealso"}:
            path = f"{patient.path}.link[{number}]"
            notes.unread(path, "another record of this patient is not read")
    age = _age(seen.birth_date, f"{patient.path}.birthDate", as_of, notes)
    deceased = bool(seen.deceased_boolean or seen.deceased_date_time)
    return Person(age, _SEXES.get(seen.gender or ""), deceased)


def _what_makes_it_the_wrong_one(seen: Patient) -> Iterator[tuple[str, str]]:
    if seen.deceased_boolean or seen.deceased_date_time:
        yield "deceased", "The patient is recorded as deceased. Is this the right record?"
    if seen.active is False:
        yield "active", "The patient's record is not in use. Is this the right record?"
    for number, link in enumerate(seen.link):
        if link.type == "replaced-by":
            yield (
                f"link[{number}]",
                "Another record has taken the place of this patient's. Is this the right one?",
            )


def _age(birth_date: str | None, path: str, as_of: date, notes: Notes) -> int | None:
    """Completed years; a birth date without a day gives the lowest age that it allows."""
    if birth_date is None:
        return None
    born = read_date(birth_date, path)
    if born.first > as_of:
        raise Unreadable(ReadCategory.VALUE, path, "this birth date is after the day of reading")
    if not born.exact:
        notes.unread(path, "it names no day, so the age was taken as the lowest that it allows")
    return full_years(min(born.last, as_of), as_of)


def say_whose(subject: Reference | None, expression: str, notes: Notes) -> None:
    """Say of a resource that names nobody that it was read as this patient's."""
    if subject is None or (subject.reference is None and subject.identifier is None):
        notes.unread(expression, "it does not say whose it is; it was read as this patient's")


class Identity:
    """Whom the resources of a record must be of.

    A resource is this patient's by the same address, by a relative one on the same server, or
    by an identifier of the same system and value. An id alone is no name: another server has
    another patient under it.
    """

    def __init__(self, index: BundleIndex, patient: Entry) -> None:
        self._index = index
        self._patient = patient
        self._identifiers: dict[str, set[str]] = {}
        identifiers = patient.resource.get("identifier")
        for each in identifiers if isinstance(identifiers, list) else ():
            system, value = _system_and_value(each)
            if isinstance(system, str) and isinstance(value, str):
                self._identifiers.setdefault(system, set()).add(value)

    def check(self, subject: Reference, origin: Entry, expression: str) -> None:
        """Refuse a resource that is not certainly of this patient.

        Raises
        ------
        Unreadable
            ``conflict``, naming the reference.
        """
        agrees = self._agrees(subject.identifier)
        if subject.reference is None:
            refused = "" if agrees else _NOT_TOLD
        elif self._index.find(subject, origin) is self._patient:
            refused = ""
        else:
            refused = _NO_SERVER if self._has_its_id(subject.reference) else _ANOTHER
        if agrees is False:
            refused = _ANOTHER
        if refused:
            raise Unreadable(ReadCategory.CONFLICT, expression, refused)

    def _agrees(self, identifier: Identifier | None) -> bool | None:
        """Whether an identifier is this patient's; ``None`` where that cannot be told."""
        if identifier is None or identifier.system is None or identifier.value is None:
            return None
        known = self._identifiers.get(identifier.system)
        return None if known is None else identifier.value in known

    def _has_its_id(self, reference: str) -> bool:
        own = f"Patient/{self._patient.resource.get('id')}"
        said = without_version(reference)
        return not self._patient.base and (said == own or said.endswith(f"/{own}"))


def _system_and_value(identifier: object) -> tuple[object, object]:
    if not isinstance(identifier, dict):
        return None, None
    return identifier.get("system"), identifier.get("value")


_ANOTHER = "this is of another patient; a record is of one"
_NOT_TOLD = "whether this is of the patient of the record cannot be told"
_NO_SERVER = (
    "this is of a patient on a server, and the Patient's entry does not say which server it is on:"
    " give it its fullUrl"
)
