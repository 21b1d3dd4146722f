"""Records of an invented patient who changed preparations a hundred days ago."""

from datetime import timedelta
from typing import Any

from tests.unit.reading.records import (
    AS_OF,
    CODES,
    DAILY,
    LT4_100,
    PATIENT,
    PREPARATIONS,
    SUBJECT,
    THYROID_60,
    Json,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.reader import read_course
from crossgrain.screening.course import TakingHistory


def day(offset: int) -> str:
    return (AS_OF + timedelta(days=offset)).isoformat()


def order(own_id: str, what: Json, dose: Json, first: int, last: int | None = None, **more: Any):
    """An order with the bounds of its dosage."""
    bounds = {"start": day(first), **({"end": day(last)} if last is not None else {})}
    repeat = {**DAILY["repeat"], "boundsPeriod": bounds}
    return {
        "resourceType": "MedicationRequest",
        "id": own_id,
        "status": "active" if last is None or last >= 0 else "completed",
        "intent": "order",
        "subject": SUBJECT,
        "medicationCodeableConcept": what,
        "authoredOn": day(first),
        "dosageInstruction": [
            {"timing": {"repeat": repeat}, "doseAndRate": [{"doseQuantity": dose}]}
        ],
        **more,
    }


OLD = order("old", LT4_100, ucum(100, "ug"), -500, -101)
NEW = order("new", THYROID_60, ucum(60, "mg"), -100)
STILL = order("old", LT4_100, ucum(100, "ug"), -500)


def read(*resources: Json, version: FhirVersion = FhirVersion.R4) -> TakingHistory:
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": r} for r in (PATIENT, *resources)],
    }
    return read_course(bundle, version=version, as_of=AS_OF, codes=CODES, preparations=PREPARATIONS)
