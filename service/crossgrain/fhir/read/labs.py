"""Observations: thyroid laboratory values, heart rate, weight and pregnancy status."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from crossgrain.fhir.read.codes import CodeTables, LabCode
from crossgrain.fhir.read.codesystems import Loinc, Snomed
from crossgrain.fhir.read.dates import PartialDate, read_date
from crossgrain.fhir.read.errors import Category, Unreadable
from crossgrain.fhir.read.lab_units import lab_factor
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.quantities import exact
from crossgrain.fhir.read.resolve import Entry
from crossgrain.fhir.read.views import (
    CodeableConcept,
    Component,
    Observation,
    Quantity,
    ReferenceRange,
    view,
)
from crossgrain.safety.facts import Analyte, Measurement

PREGNANCY_STATUS = "82810-3"
_PREGNANT = {
    (Snomed.system, "77386006"): True,
    (Snomed.system, "60001007"): False,
    (Loinc.system, "LA15173-0"): True,
    (Loinc.system, "LA26683-5"): False,
}
"""SNOMED CT pregnant and not pregnant; LOINC answers (from memory)."""
_PREGNANCY_HOLDS_DAYS = 280
"""A status older than a pregnancy says nothing of today."""
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
        """The latest weight."""
        known = [
            m
            for m in self.measurements
            if m.analyte is Analyte.WEIGHT and m.day is not None and not m.comparator
        ]
        return max(known, key=lambda m: m.day or 0).value if known else None


def read_observation(
    entry: Entry, labs: Labs, codes: CodeTables, as_of: date, notes: Notes
) -> None:
    """Read one Observation into `labs`, or say why not.

    Raises
    ------
    Unreadable
        where a value is not one that FHIR allows.
    """
    concept = entry.resource.get("code")
    if not _may_be_known(concept, codes) and not entry.resource.get("component"):
        return
    seen = view(entry.resource, Observation, entry.path)
    parts: list[tuple[str, Observation | Component]] = [(entry.path, seen)]
    parts += [(f"{entry.path}.component[{n}]", c) for n, c in enumerate(seen.component)]
    for path, part in parts:
        code = _lab_code(part.code, codes)
        if code is None and not _is_pregnancy(part.code):
            continue
        why = _unusable(seen, part)
        if why:
            notes.unread(path, why)
            continue
        day, vague = _day(seen, entry.path, as_of)
        if vague:
            notes.unread(f"{entry.path}.effective", vague)
        if day is not None and day > 0:
            notes.unread(entry.path, "it is dated after the day of reading")
            continue
        if code is None:
            _read_pregnancy(part, path, day, labs, notes, entry)
        else:
            _read_value(part, code, path, day, seen.status == "preliminary", labs, notes, entry)


def _may_be_known(concept: object, codes: CodeTables) -> bool:
    """A cheap look at the codes before the resource is seen whole."""
    if not isinstance(concept, dict):
        return True
    codings = concept.get("coding", [])
    if not isinstance(codings, list):
        return True
    for coding in codings:
        code = coding.get("code") if isinstance(coding, dict) else None
        if not isinstance(code, str) or code in codes.labs or code == PREGNANCY_STATUS:
            return True
    return False


def _lab_code(concept: CodeableConcept | None, codes: CodeTables) -> LabCode | None:
    for coding in concept.coding if concept else []:
        if coding.system == Loinc.system and coding.code:
            known = codes.labs.get(coding.code)
            if known:
                return known
    return None


def _is_pregnancy(concept: CodeableConcept | None) -> bool:
    return any(
        coding.system == Loinc.system and coding.code == PREGNANCY_STATUS
        for coding in (concept.coding if concept else [])
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
    when: PartialDate = read_date(text, f"{path}.effective")
    if not when.exact:
        return None, "its date names no single day, so how recent it is cannot be told"
    return when.day(as_of), ""


def _read_value(
    part: Observation | Component,
    code: LabCode,
    path: str,
    day: int | None,
    preliminary: bool,
    labs: Labs,
    notes: Notes,
    entry: Entry,
) -> None:
    quantity = part.value_quantity
    if quantity is None or quantity.value is None:
        notes.unread(f"{path}.value", "its value is not a quantity")
        return
    comparator = quantity.comparator or ""
    if comparator and comparator not in _COMPARATORS:
        raise Unreadable(
            Category.VALUE, f"{path}.value.comparator", "this is no comparator of FHIR"
        )
    factor = _factor(quantity, code)
    if isinstance(factor, str):
        notes.unread(f"{path}.value", factor)
        return
    low, high = _own_range(part.reference_range, code, path, notes)
    value = exact(quantity.value, f"{path}.value.value") * factor
    labs.measurements.append(
        Measurement(code.analyte, value, day, path, comparator, low, high, preliminary)
    )
    notes.use(entry.path, entry.reference)


def _factor(quantity: Quantity, code: LabCode) -> Fraction | str:
    """What the unit is worth, or why it cannot be told."""
    said = [u for u in (quantity.code, quantity.unit) if u]
    known = [f for u in said if (f := lab_factor(code.analyte, u))]
    if not said:
        return "its value has no unit"
    if not known or (quantity.code and lab_factor(code.analyte, quantity.code) is None):
        return "its unit is not one that is known for this test"
    if len(set(known)) > 1:
        return "the code and the text of its unit differ"
    counts, factor = known[0]
    if counts != code.kind:
        return f"its code counts {code.kind} and its unit {counts}"
    return factor


def _own_range(
    ranges: Sequence[ReferenceRange], code: LabCode, path: str, notes: Notes
) -> tuple[Fraction | None, Fraction | None]:
    """The laboratory's own range, where there is one that applies to everyone."""
    if not ranges:
        return None, None
    plain = [r for r in ranges if not r.applies_to and r.age is None and _is_normal(r)]
    if len(plain) != 1:
        notes.unread(f"{path}.referenceRange", "which of its ranges applies cannot be told")
        return None, None
    ends = [_end(plain[0].low, code, path), _end(plain[0].high, code, path)]
    if ends == [None, None]:
        notes.unread(f"{path}.referenceRange", "its range is not given as quantities")
    return ends[0], ends[1]


def _is_normal(given: ReferenceRange) -> bool:
    return given.type is None or any(c.code == "normal" for c in given.type.coding)


def _end(quantity: Quantity | None, code: LabCode, path: str) -> Fraction | None:
    if quantity is None or quantity.value is None:
        return None
    factor = _factor(quantity, code)
    if isinstance(factor, str):
        return None
    return exact(quantity.value, f"{path}.referenceRange") * factor


def _read_pregnancy(
    part: Observation | Component,
    path: str,
    day: int | None,
    labs: Labs,
    notes: Notes,
    entry: Entry,
) -> None:
    value = part.value_codeable_concept
    said = {
        _PREGNANT[c.system or "", c.code or ""]
        for c in (value.coding if value else [])
        if (c.system or "", c.code or "") in _PREGNANT
    }
    if len(said) != 1:
        notes.unread(f"{path}.value", "the pregnancy status is not one that is known")
    elif day is None or day < -_PREGNANCY_HOLDS_DAYS:
        notes.unread(path, "the pregnancy status is too old or undated to hold today")
    else:
        labs.pregnancy.append((day, said.pop()))
        notes.use(entry.path, entry.reference)
