"""Records of an invented patient, and the reading of them from bytes as they would arrive."""

from datetime import date
from decimal import Decimal
from importlib.resources import files
from typing import Any

import msgspec

from crossgrain.catalogue import load_catalogue
from crossgrain.names.identity import FhirVersion
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_record
from crossgrain.reading.record import Record

CATALOGUE = load_catalogue()
CODES = CATALOGUE.codes
COMBINING = CODES.combining
PREPARATIONS = CATALOGUE.preparations
_ENCODER = msgspec.json.Encoder(decimal_format="number")
AS_OF = date(2026, 3, 20)

Json = dict[str, Any]
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
ATC = "http://www.whocc.no/atc"
UCUM = "http://unitsofmeasure.org"
PATIENT: Json = {
    "resourceType": "Patient",
    "id": "p1",
    "gender": "female",
    "birthDate": "1970-05-01",
}
SUBJECT: Json = {"reference": "Patient/p1"}
LT4: Json = {"coding": [{"system": RXNORM, "code": "10582", "display": "levothyroxine"}]}
LT4_100: Json = {"coding": [{"system": RXNORM, "code": "892246"}]}
LT3: Json = {"coding": [{"system": ATC, "code": "H03AA02"}], "text": "liothyronine"}
THYROID: Json = {"coding": [{"system": RXNORM, "code": "10572", "display": "thyroid (USP)"}]}
THYROID_60: Json = {"coding": [{"system": RXNORM, "code": "313391"}]}
DAILY: Json = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}
ONE = "Bundle.entry[1].resource"
"""Where the first resource after the patient stands."""


def shipped(name: str) -> str:
    """The text of a shipped data file."""
    return files("crossgrain").joinpath("data", name).read_text("utf-8")


def ucum(value: int | str, code: str, **more: Any) -> Json:
    """A quantity with a UCUM code; a decimal is given as written."""
    return {"value": Decimal(value), "system": UCUM, "code": code, **more}


def dosage(dose: Json | None = None, timing: Json | None = DAILY, **more: Any) -> Json:
    """A dosage of one quantity."""
    built: Json = dict(more)
    if dose is not None:
        built["doseAndRate"] = [{"doseQuantity": dose}]
    if timing is not None:
        built["timing"] = timing
    return built


def repeat(**parts: object) -> Json:
    """A timing of these parts."""
    return {"repeat": parts}


TABLET = dosage(ucum(1, "{tbl}"))


def statement(medicine: Json, *dosages: Json, **more: Any) -> Json:
    """An R4 statement that the medicine is taken."""
    return {
        "resourceType": "MedicationStatement",
        "id": "s1",
        "status": "active",
        "medicationCodeableConcept": medicine,
        "subject": SUBJECT,
        "effectivePeriod": {"start": "2025-04-10"},
        "dosage": list(dosages),
        **more,
    }


def request(medicine: Json, *dosages: Json, **more: Any) -> Json:
    """An R4 order for the medicine."""
    return {
        "resourceType": "MedicationRequest",
        "id": "r1",
        "status": "active",
        "intent": "order",
        "medicationCodeableConcept": medicine,
        "subject": SUBJECT,
        "authoredOn": "2026-01-05",
        "dosageInstruction": list(dosages),
        **more,
    }


def observation(code: str, quantity: Json | None = None, **more: Any) -> Json:
    """A final result of the day before yesterday."""
    built: Json = {
        "resourceType": "Observation",
        "id": f"o-{code}",
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": code}]},
        "subject": SUBJECT,
        "effectiveDateTime": "2026-03-18",
        **more,
    }
    if quantity is not None:
        built["valueQuantity"] = quantity
    return built


def condition(code: str | None = None, **more: Any) -> Json:
    """A condition by SNOMED CT code."""
    concept: Json = {"coding": [{"system": SNOMED, "code": code}]} if code else {}
    return {
        "resourceType": "Condition",
        "id": f"c-{code}",
        "code": concept,
        "subject": SUBJECT,
        **more,
    }


def bundle(*resources: Json, patient: Json | None = PATIENT, **more: Any) -> Json:
    """A collection of the invented patient and these resources."""
    everyone = [patient, *resources] if patient else list(resources)
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": resource} for resource in everyone],
        **more,
    }


def read(
    *resources: Json,
    version: FhirVersion = FhirVersion.R4,
    as_of: date = AS_OF,
    patient: Json | None = PATIENT,
    **more: Any,
) -> Record:
    """Read a bundle of these resources, from bytes."""
    return read_bundle(bundle(*resources, patient=patient, **more), version, as_of)


def encoded(content: Json) -> bytes:
    """The bytes that a sender would send, numbers as written."""
    return _ENCODER.encode(content)


def read_bundle(
    content: Json,
    version: FhirVersion = FhirVersion.R4,
    as_of: date = AS_OF,
    root: str = "Bundle",
) -> Record:
    """Read a whole bundle, from bytes."""
    return read_record(
        parse(encoded(content)),
        version=version,
        as_of=as_of,
        codes=CODES,
        preparations=PREPARATIONS,
        root=root,
    )


def doses(record: Record) -> list[tuple[str, list[str]]]:
    """What is taken: preparation, and the amounts of its cycle."""
    return [
        (line.preparation.id, [str(amount) for amount in line.cycle])
        for entry in record.current
        for line in entry.lines
    ]


def asked(record: Record) -> list[str]:
    """The FHIRPaths that are asked about."""
    return [question.expression for question in record.questions]
