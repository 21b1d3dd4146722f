"""Observations: thyroid laboratory values, heart rate, weight and pregnancy status.

Mass to moles by molar mass.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from crossgrain.dosing.kinetics import T3_MOLAR_MASS, T4_MOLAR_MASS
from crossgrain.reading.calendar import Calendar
from crossgrain.reading.code_tables import CodeTables, LabCode, LabUnit, unit_spelling
from crossgrain.reading.codesystems import Loinc, Snomed
from crossgrain.reading.elements import (
    CodeableConcept,
    Quantity,
    ReadCategory,
    Unreadable,
)
from crossgrain.reading.hormone_names import folded
from crossgrain.reading.person import say_whose
from crossgrain.reading.quantities import checked_number
from crossgrain.reading.reading import Reading
from crossgrain.reading.remembered import Remembered
from crossgrain.reading.resolve import Entry, refuse_parts_above
from crossgrain.reading.views import Component, Observation, ReferenceRange, view
from crossgrain.safety.facts import Analyte, Measurement

_ONE = Fraction(1)
_PICOMOLES: Mapping[Analyte, Fraction] = {
    Analyte.FREE_T4: 1000 / T4_MOLAR_MASS,
    Analyte.FREE_T3: 1000 / T3_MOLAR_MASS,
    Analyte.TOTAL_T3: 1000 / T3_MOLAR_MASS,
    Analyte.REVERSE_T3: 1000 / T3_MOLAR_MASS,
}
"""pmol in one ng of a hormone."""
_IN_NANOMOLES = {Analyte.TOTAL_T3, Analyte.REVERSE_T3}
"""Kept in nmol/L; the other hormones in pmol/L."""
_COUNTED: Mapping[Analyte, str] = {
    Analyte.TSH: "arbitrary",
    Analyte.HEART_RATE: "rate",
    Analyte.WEIGHT: "weight",
}
"""What the units of an analyte that is no hormone in mass or moles count."""


def lab_factor(analyte: Analyte, unit: LabUnit) -> Fraction | None:
    """What one of a unit is in the analyte's own unit; ``None`` for a unit of another analyte.

    Examples
    --------
    Free T4, 1 ng/dL = 12.87 pmol/L:

    >>> round(float(lab_factor(Analyte.FREE_T4, LabUnit("mass", Fraction(10)))), 2)
    12.87
    """
    if analyte in _COUNTED:
        return unit.factor if unit.counts == _COUNTED[analyte] else None
    kept = Fraction(1, 1000) if analyte in _IN_NANOMOLES else _ONE
    if unit.counts == "moles":
        return unit.factor * kept
    return unit.factor * _PICOMOLES[analyte] * kept if unit.counts == "mass" else None


_LONGEST_UNIT = 48
_LONGEST_NAME = 60
_Written = tuple[int | Decimal, LabCode, CodeTables, str | None, str | None]
"""A number, what is measured, the units that are known, and the unit as code and as text."""
_NOT_KNOWN = "its unit is not one that is known for this test"
Ends = tuple[Fraction | None, Fraction | None]


def value_of(quantity: Quantity, code: LabCode, path: str, codes: CodeTables) -> Fraction | str:
    """The quantity whose number stands at `path`, in the analyte's own unit; or why not."""
    number = checked_number(quantity.value, path)
    if number < 0:
        return "its value is below nothing"
    return _CONVERTED[number, code, codes, quantity.code, quantity.unit]


def _converted(as_written: _Written) -> Fraction | str:
    number, lab, codes, code, unit = as_written
    if _characters(as_written) > _LONGEST_UNIT:
        return _NOT_KNOWN
    if not code and not unit:
        return "its value has no unit"
    coded, written = (_unit_in(spelled, lab, codes) for spelled in (code, unit))
    found = coded if code else written
    if found is None:
        return _NOT_KNOWN
    if coded and written and coded != written:
        return "the code and the text of its unit differ"
    if found[0] != lab.kind:
        return f"its code counts {lab.kind} and its unit {found[0]}"
    return Fraction(number) * found[1]


def _unit_in(spelled: str | None, lab: LabCode, codes: CodeTables) -> tuple[str, Fraction] | None:
    """What a unit counts, and what one of it is in the analyte's own unit."""
    unit = codes.lab_units.get(unit_spelling(spelled)) if spelled else None
    factor = lab_factor(lab.analyte, unit) if unit else None
    return (unit.counts, factor) if unit and factor else None


def _characters(as_written: _Written) -> int:
    """Of the longer spelling of the unit."""
    *_, code, unit = as_written
    return max(len(code or ""), len(unit or ""))


_CONVERTED = Remembered(_converted, _characters)


def own_range(ranges: Sequence[ReferenceRange], code: LabCode, path: str, reading: Reading) -> Ends:
    """The laboratory's own range, where there is one that applies to everyone."""
    if not ranges:
        return None, None
    plain = [r for r in ranges if _for_everyone(r)]
    if len(plain) != 1:
        reading.notes.unread(f"{path}.referenceRange", "which of its ranges applies cannot be told")
        return None, None
    low = _end(plain[0].low, code, path, "low", reading.codes)
    high = _end(plain[0].high, code, path, "high", reading.codes)
    if low is None and high is None:
        reading.notes.unread(f"{path}.referenceRange", "its range is not given as known quantities")
    return low, high


def _for_everyone(given: ReferenceRange) -> bool:
    normal = given.type is None or any(c.code == "normal" for c in given.type.coding)
    return normal and not given.applies_to and given.age is None and not given.modifier


def _end(
    quantity: Quantity | None, code: LabCode, path: str, name: str, codes: CodeTables
) -> Fraction | None:
    if quantity is None or quantity.value is None:
        return None
    value = value_of(quantity, code, f"{path}.referenceRange.{name}.value", codes)
    return None if isinstance(value, str) else value


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
    refuse_parts_above(len(seen.component), entry.path)
    _read_part(seen, seen, entry.path, entry, labs, reading)
    for number, component in enumerate(seen.component):
        path = f"{entry.path}.component[{number}]"
        _read_part(component, seen, path, entry, labs, reading)


def _may_be_known(resource: dict[str, object], codes: CodeTables) -> bool:
    """A cheap look at the codes before the resource is seen whole."""
    concept = resource.get("code")
    if not isinstance(concept, dict) or "component" in resource:
        return True
    codings = concept.get("coding")
    if not isinstance(codings, list):
        return True
    for coding in codings:
        code = coding.get("code") if isinstance(coding, dict) else None
        if not isinstance(code, str) or code in codes.labs or code == PREGNANCY_STATUS:
            return True
    words = [concept.get("text"), *(coding.get("display") for coding in codings)]
    return any(_named(each, codes) for each in words)


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
        _say_of_a_name_alone(part.code, path, reading)
        return
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    why = _unusable(seen, part)
    if why:
        reading.notes.unread(path, why)
        return
    day, vague = _day(seen, entry.path, reading.calendar)
    if vague:
        reading.notes.unread(f"{entry.path}.effective", vague)
    if day is not None and day > 0:
        reading.notes.unread(entry.path, "it is dated after the day of reading")
    elif code is None:
        if _read_pregnancy(part, path, day, labs, reading):
            reading.notes.use(entry.path, entry.reference)
    else:
        measured = _measured(part, code, path, day, seen.status == "preliminary", reading)
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


def _say_of_a_name_alone(concept: CodeableConcept | None, path: str, reading: Reading) -> None:
    """Note a result that is named like one that decides: it is read by its LOINC code alone."""
    words = (concept.text, *(c.display for c in concept.coding)) if concept else ()
    named = next(filter(None, (_named(each, reading.codes) for each in words)), "")
    if named:
        reading.notes.unread(
            f"{path}.code", f"it is named {named}, and has no LOINC code that is known for it"
        )


def _named(words: object, codes: CodeTables) -> str:
    """The usual name of a result that decides, where words are no more than a name of it."""
    if not isinstance(words, str) or len(words) > _LONGEST_NAME:
        return ""
    return codes.lab_names.get(folded(words).strip(), "")


def _unusable(seen: Observation, part: Observation | Component) -> str:
    if seen.modifier or part.modifier:
        return "it carries a modifier that is not known"
    own = seen.subject.reference if seen.subject else None
    if any(focus.reference is None or focus.reference != own for focus in seen.focus):
        return "by its focus it is about somebody or something other than the patient"
    if seen.status not in _VALID:
        known = seen.status if seen.status in _VOID else "not one of FHIR"
        return f"its status is {known}"
    if part.data_absent_reason is not None:
        return "it says that the value is absent"
    return ""


def _day(seen: Observation, path: str, calendar: Calendar) -> tuple[int | None, str]:
    """The day that the value stands for, and what is wrong with its date."""
    period = seen.effective_period
    text = seen.effective_date_time or seen.effective_instant
    if text is None and period is not None:
        text = period.end or period.start
    if text is None:
        return None, "it has no date, so how recent it is cannot be told"
    day = calendar.past_date_in(text, f"{path}.effective").day(calendar.as_of)
    vague = "its date names no single day, so how recent it is cannot be told"
    return day, vague if day is None else ""


def _measured(
    part: Observation | Component,
    code: LabCode,
    path: str,
    day: int | None,
    preliminary: bool,
    reading: Reading,
) -> Measurement | None:
    notes = reading.notes
    quantity = part.value_quantity
    if quantity is None or quantity.value is None:
        notes.unread(f"{path}.value", "its value is not a quantity")
        return None
    comparator = quantity.comparator or ""
    if comparator and comparator not in _COMPARATORS:
        raise Unreadable(
            ReadCategory.VALUE, f"{path}.value.comparator", "this is no comparator of FHIR"
        )
    value = value_of(quantity, code, f"{path}.value.value", reading.codes)
    if isinstance(value, str):
        notes.unread(f"{path}.value", value)
        return None
    low, high = own_range(part.reference_range, code, path, reading)
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
