"""Observations: thyroid laboratory values, heart rate, weight and pregnancy status."""

from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from crossgrain.reading.code_tables import CodeTables, LabCode
from crossgrain.reading.codesystems import Loinc, Snomed
from crossgrain.reading.dates import read_date
from crossgrain.reading.elements import CodeableConcept
from crossgrain.reading.errors import ReadCategory, Unreadable
from crossgrain.reading.lab_values import own_range, value_of
from crossgrain.reading.notes import Notes
from crossgrain.reading.person import say_whose
from crossgrain.reading.reading import Reading
from crossgrain.reading.resolve import Entry
from crossgrain.reading.views import Component, Observation, view
from crossgrain.safety.facts import Analyte, Measurement

PREGNANCY_STATUS = "82810-3"
_PREGNANT = {
    (Snomed.system, "77386006"): True,
    (Snomed.system, "60001007"): False,
    (Loinc.system, "LA15173-0"): True,
    (Loinc.system, "LA26683-5"): False,
}
"""SNOMED CT pregnant and not pregnant; the answers of LOINC 82810-3."""
_VALID = {"final", "amended", "corrected", "preliminary"}
_VOID = {"registered", "cancelled", "entered-in-error", "unknown"}
_COMPARATORS = {"<", "<=", ">", ">="}


@dataclass(slots=True)
class Labs:
    """What the observations of one record gave."""

    measurements: list[Measurement] = field(default_factory=list)
    pregnancy: list[tuple[int, bool]] = field(default_factory=list)

    @property
    def pregnant(self) -> bool | None:
        """The latest pregnancy status that can still hold."""
        return max(self.pregnancy)[1] if self.pregnancy else None

    @property
    def weight_kg(self) -> Fraction | None:
        """The latest dated weight."""
        known = [
            (m.day, m.value)
            for m in self.measurements
            if m.analyte is Analyte.WEIGHT and m.day is not None and not m.comparator
        ]
        return max(known)[1] if known else None


def read_observation(entry: Entry, labs: Labs, reading: Reading) -> None:
    """Read one Observation into `labs`, or say why not.

    Raises
    ------
    Unreadable
        where a value is not one that FHIR allows, or is of another patient.
    """
    if not _may_be_known(entry.resource, reading.codes):
        return
    seen = view(entry.resource, Observation, entry.path)
    _read_part(seen, seen, entry.path, entry, labs, reading)
    for number, component in enumerate(seen.component):
        path = f"{entry.path}.component[{number}]"
        _read_part(component, seen, path, entry, labs, reading)


def _may_be_known(resource: dict[str, object], codes: CodeTables) -> bool:
    """A cheap look at the codes before the resource is seen whole."""
    concept = resource.get("code")
    codings = concept.get("coding") if isinstance(concept, dict) else None
    if not isinstance(codings, list) or "component" in resource:
        return True
    for coding in codings:
        code = coding.get("code") if isinstance(coding, dict) else None
        if not isinstance(code, str) or code in codes.labs or code == PREGNANCY_STATUS:
            return True
    return False


def _read_part(
    part: Observation | Component,
    seen: Observation,
    path: str,
    entry: Entry,
    labs: Labs,
    reading: Reading,
) -> None:
    code = _lab_code(part.code, reading.codes)
    if code is None and not _is_pregnancy(part.code):
        return
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    why = _unusable(seen, part)
    if why:
        reading.notes.unread(path, why)
        return
    day, vague = _day(seen, entry.path, reading.as_of)
    if vague:
        reading.notes.unread(f"{entry.path}.effective", vague)
    if day is not None and day > 0:
        reading.notes.unread(entry.path, "it is dated after the day of reading")
    elif code is None:
        if _read_pregnancy(part, path, day, labs, reading):
            reading.notes.use(entry.path, entry.reference)
    else:
        measured = _measured(part, code, path, day, seen.status == "preliminary", reading.notes)
        if measured:
            labs.measurements.append(measured)
            reading.notes.use(entry.path, entry.reference)


def _lab_code(concept: CodeableConcept | None, codes: CodeTables) -> LabCode | None:
    for coding in concept.coding if concept else ():
        if coding.system == Loinc.system and coding.code:
            known = codes.labs.get(coding.code)
            if known:
                return known
    return None


def is_known(concept: CodeableConcept, codes: CodeTables) -> bool:
    """Whether it names a result that is read."""
    return _lab_code(concept, codes) is not None or _is_pregnancy(concept)


def _is_pregnancy(concept: CodeableConcept | None) -> bool:
    return any(
        coding.system == Loinc.system and coding.code == PREGNANCY_STATUS
        for coding in (concept.coding if concept else ())
    )


def _unusable(seen: Observation, part: Observation | Component) -> str:
    if seen.modifier or part.modifier:
        return "it carries a modifier that is not known"
    if seen.status not in _VALID:
        known = seen.status if seen.status in _VOID else "not one of FHIR"
        return f"its status is {known}"
    if part.data_absent_reason is not None:
        return "it says that the value is absent"
    return ""


def _day(seen: Observation, path: str, as_of: date) -> tuple[int | None, str]:
    """The day that the value stands for, and what is wrong with its date."""
    period = seen.effective_period
    text = seen.effective_date_time or seen.effective_instant
    if text is None and period is not None:
        text = period.end or period.start
    if text is None:
        return None, "it has no date, so how recent it is cannot be told"
    day = read_date(text, f"{path}.effective").day(as_of)
    vague = "its date names no single day, so how recent it is cannot be told"
    return day, vague if day is None else ""


def _measured(
    part: Observation | Component,
    code: LabCode,
    path: str,
    day: int | None,
    preliminary: bool,
    notes: Notes,
) -> Measurement | None:
    quantity = part.value_quantity
    if quantity is None or quantity.value is None:
        notes.unread(f"{path}.value", "its value is not a quantity")
        return None
    comparator = quantity.comparator or ""
    if comparator and comparator not in _COMPARATORS:
        raise Unreadable(
            ReadCategory.VALUE, f"{path}.value.comparator", "this is no comparator of FHIR"
        )
    value = value_of(quantity, code, f"{path}.value.value")
    if isinstance(value, str):
        notes.unread(f"{path}.value", value)
        return None
    low, high = own_range(part.reference_range, code, path, notes)
    return Measurement(code.analyte, value, day, path, comparator, low, high, preliminary)


def _read_pregnancy(
    part: Observation | Component, path: str, day: int | None, labs: Labs, reading: Reading
) -> bool:
    """Read a pregnancy status; false where it says nothing of today."""
    notes = reading.notes
    value = part.value_codeable_concept
    coded = [(c.system or "", c.code or "") for c in value.coding] if value else []
    said = {_PREGNANT[code] for code in coded if code in _PREGNANT}
    if len(said) != 1:
        notes.unread(f"{path}.value", "the pregnancy status is not one that is known")
        return False
    if day is None or day < -reading.codes.believed.pregnancy_days:
        notes.unread(path, "the pregnancy status is too old or undated to hold today")
        return False
    labs.pregnancy.append((day, said.pop()))
    return True
