"""Changes after which a dose cannot be told, or after which a record is no FHIR."""

import copy
from collections.abc import Callable
from typing import Any

from tests.properties.million.dosages import UCUM, Chance, Json

Change = Callable[[Json, list[Json], Chance], None]


def dosages(medicine: Json) -> list[Json]:
    """The dosages of a medicine."""
    key = "dosage" if medicine["resourceType"] == "MedicationStatement" else "dosageInstruction"
    own: list[Json] = medicine[key]
    return own


def _dosage(**parts: Any) -> Change:
    """Put these elements into the first dosage."""

    def change(medicine: Json, _: list[Json], __: Chance) -> None:
        dosages(medicine)[0].update(copy.deepcopy(parts))

    return change


def _only(**parts: Any) -> Change:
    """Leave these elements alone in one dosage."""

    def change(medicine: Json, _: list[Json], __: Chance) -> None:
        dosages(medicine)[:] = [copy.deepcopy(parts)]

    return change


def _of(resource: str, **parts: Any) -> Change:
    """Put these elements into the medicine, if it is of this type, else take its dosages."""

    def change(medicine: Json, _: list[Json], __: Chance) -> None:
        if medicine["resourceType"] == resource:
            medicine.update(copy.deepcopy(parts))
        else:
            dosages(medicine).clear()

    return change


def _no_dosage(medicine: Json, _: list[Json], __: Chance) -> None:
    dosages(medicine).clear()


def _twice(medicine: Json, resources: list[Json], _: Chance) -> None:
    """A second resource for the same medicine, tied to the first by nothing."""
    resources.append({**copy.deepcopy(medicine), "id": "again"})


def _unnamed(medicine: Json, _: list[Json], chance: Chance) -> None:
    """Compounded, of modified release, or beside iodide: of unknown content."""
    name = chance.choice(
        ("compounded levothyroxine capsule", "liothyronine SR 10 mcg", "levothyroxine with iodide")
    )
    for key in ("medicationReference", "medicationCodeableConcept", "medication", "contained"):
        if medicine.pop(key, None) is not None and key == "medication":
            medicine["medication"] = {"concept": {"text": name}}
    if "medication" not in medicine:
        medicine["medicationCodeableConcept"] = {"text": name}


def _ten_times(medicine: Json, _: list[Json], __: Chance) -> None:
    """A slip that nobody takes: five grams."""
    amount = {"value": 5, "unit": "g", "system": UCUM, "code": "g"}
    daily = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}
    dosages(medicine)[:] = [{"doseAndRate": [{"doseQuantity": amount}], "timing": daily}]


DAILY = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}


def _dose(**quantity: Any) -> Json:
    return {"doseAndRate": [{"doseQuantity": quantity}], "timing": DAILY}


UNREADABLE: tuple[Change, ...] = (
    _no_dosage,
    _twice,
    _unnamed,
    _ten_times,
    _only(text="as directed"),
    _only(text="take one daily as needed"),
    _only(text="2 half tablets daily"),
    _only(text="75 mcg daily then 100 mcg daily"),
    _only(text="1-2 tablets daily"),
    _only(timing=DAILY),
    _only(extension=[{"url": "https://ehr.example/dose", "valueString": "see note"}]),
    _only(**_dose(value=1)),
    _only(**_dose(value=1, unit="drop")),
    _only(**_dose(value=100, unit="ug/{tbl}", system=UCUM, code="ug/{tbl}")),
    _only(**_dose(value=100, unit="mg", system=UCUM, code="ug")),
    _only(**_dose(value=100, comparator="<", unit="mcg")),
    _only(**_dose(unit="mcg")),
    _only(doseAndRate=[{"doseRange": {"low": {"value": 1, "unit": "tab"},
                                      "high": {"value": 2, "unit": "tab"}}}], timing=DAILY),
    _only(doseAndRate=[{"rateQuantity": {"value": 5, "unit": "mcg"}}], timing=DAILY),
    _only(doseQuantity={"value": 100, "unit": "mcg"}, timing=DAILY),
    _dosage(modifierExtension=[{"url": "https://ehr.example/not"}]),
    _dosage(asNeededBoolean=True),
    _dosage(route={"text": "intravenous"}),
    _dosage(timing={"repeat": {"frequency": 1, "period": 60, "periodUnit": "d"}}, text="60 days"),
    _dosage(timing={"repeat": {"frequency": 1, "period": 1, "periodMax": 2, "periodUnit": "d"}}),
    _dosage(timing={"event": ["2025-01-01"]}),
    _dosage(timing={"repeat": {"frequency": 4, "period": 1, "periodUnit": "d"}}, text="once daily"),
    _of("MedicationRequest", status="unknown"),
    _of("MedicationRequest", intent="instance-order"),
)  # fmt: skip
"""Each leaves a medicine that is taken, in a dose that cannot be told."""


def _with(**parts: Any) -> Change:
    def change(medicine: Json, _: list[Json], __: Chance) -> None:
        medicine.update(copy.deepcopy(parts))

    return change


def _two_patients(_: Json, resources: list[Json], __: Chance) -> None:
    resources.append({"resourceType": "Patient", "id": "p2"})


def _negative(medicine: Json, _: list[Json], __: Chance) -> None:
    dosages(medicine)[:] = [_dose(value=-1, unit="mcg")]


def _unknown_type(_: Json, resources: list[Json], __: Chance) -> None:
    resources.append({"resourceType": "Wish", "id": "w"})


REFUSED: tuple[Change, ...] = (
    _two_patients,
    _negative,
    _unknown_type,
    _with(status="swallowed"),
    _with(subject={"reference": "Patient/somebody-else"}),
    _with(status=5),
    _dosage(timing={"repeat": {"frequency": 0, "period": 1, "periodUnit": "d"}}),
    _dosage(timing={"repeat": {"dayOfWeek": ["someday"]}}),
    _dosage(timing={"repeat": {"frequency": 1, "period": 1, "periodUnit": "moon"}}),
    _dosage(timing="daily"),
)
"""Each is no FHIR of its version, or of somebody else."""
