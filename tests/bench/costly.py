"""Bodies that are made to cost more than their bytes, each of about a given size.

They are not kept: each is made when it is sent.
"""

import json
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

Json = dict[str, Any]
UCUM = "http://unitsofmeasure.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
PATIENT: Json = {"resourceType": "Patient", "id": "p1", "birthDate": "1970-05-01"}
SUBJECT = {"reference": "Patient/p1"}
LT4: Json = {"coding": [{"system": RXNORM, "code": "892246"}]}
THYROID: Json = {"coding": [{"system": RXNORM, "code": "313391"}]}


def on(number: int) -> str:
    """A day within some fourteen years."""
    return (date(2010, 1, 1) + timedelta(days=number % 5000)).isoformat()


def dosage(tablets: int = 1, **repeat: Any) -> Json:
    timing = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", **repeat}}
    quantity = {"value": tablets, "system": UCUM, "code": "{tbl}"}
    return {"timing": timing, "doseAndRate": [{"doseQuantity": quantity}]}


def order(number: int, medicine: Json = LT4, **more: Any) -> Json:
    return {
        "resourceType": "MedicationRequest", "id": str(number), "status": "active",
        "intent": "order", "subject": SUBJECT, "medicationCodeableConcept": medicine,
        "authoredOn": "2024-01-05", "dosageInstruction": [dosage()], **more,
    }  # fmt: skip


def taken(number: int, medicine: Json = LT4, **more: Any) -> Json:
    return {
        "resourceType": "MedicationStatement", "id": str(number), "status": "active",
        "subject": SUBJECT, "medicationCodeableConcept": medicine,
        "effectivePeriod": {"start": "2024-01-10"}, "dosage": [dosage()], **more,
    }  # fmt: skip


def result(number: int, **more: Any) -> Json:
    return {
        "resourceType": "Observation", "id": str(number), "status": "final", "subject": SUBJECT,
        "code": {"coding": [{"system": "http://loinc.org", "code": "3016-3"}]},
        "effectiveDateTime": on(number),
        "valueQuantity": {"value": 2, "system": UCUM, "code": "m[IU]/L"}, **more,
    }  # fmt: skip


def either(number: int) -> Json:
    return LT4 if number % 2 else THYROID


def referring(number: int) -> Json:
    named = order(number)
    del named["medicationCodeableConcept"]
    return {**named, "medicationReference": {"reference": "Medication/m"}}


def record(*resources: Json, **more: Any) -> Json:
    entries = [{"resource": resource} for resource in (PATIENT, *resources)]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries, **more}


def many(make: Callable[[int], Json], size: int, *first: Json) -> Json:
    """As many as fill the size."""
    each = len(json.dumps(make(12345))) + 14
    return record(*first, *map(make, range(size // each)))


SWITCHED = order(1, dosageInstruction=[dosage(boundsPeriod={"start": on(1), "end": on(900)})])
NOW = order(2, THYROID)
RECORDS: dict[str, Callable[[int], Json]] = {
    "orders that never end": lambda n: many(
        lambda i: order(i, either(i), authoredOn=on(i)), n
    ),
    "orders of one group": lambda n: many(
        lambda i: order(i, either(i), authoredOn=on(i), groupIdentifier={"value": "g"}), n
    ),
    "orders that each replace the last": lambda n: many(
        lambda i: order(i, priorPrescription={"reference": f"MedicationRequest/{i - 1}"}), n
    ),
    "orders that ended on no day": lambda n: many(
        lambda i: order(i, either(i), authoredOn=on(i), status="completed"), n
    ),
    "statements of years that overlap": lambda n: many(
        lambda i: taken(i, either(i), effectivePeriod={"start": on(i), "end": on(i + 4000)}), n
    ),
    "statements of one day each": lambda n: many(
        lambda i: taken(i, either(i), effectivePeriod={"start": on(i), "end": on(i)}), n
    ),
    "statements made from one order": lambda n: many(
        lambda i: taken(i, derivedFrom=[{"reference": "MedicationRequest/2"}]), n, NOW
    ),
    "drafts": lambda n: many(lambda i: order(i, THYROID, status="draft"), n, SWITCHED),
    "one large Medication for all": lambda n: record(
        {"resourceType": "Medication", "id": "m", "ingredient": [
            {"itemCodeableConcept": {"text": f"part {i}"}} for i in range(n // 90)
        ]},
        *map(referring, range(n // 800)),
    ),
    "Medications inside": lambda n: record(
        {**referring(1), "medicationReference": {"reference": "#none"},
         "contained": [{"resourceType": "Medication", "id": str(i)} for i in range(n // 50)]}
    ),
    "dosages of one statement": lambda n: record(
        taken(1, dosage=[dosage(i) for i in range(1, n // 150)])
    ),
    "dosages that follow one another": lambda n: record(NOW, taken(1, dosage=[
        dosage(boundsPeriod={"start": on(i), "end": on(i + 1)}) for i in range(n // 210)
    ])),
    "a long instruction": lambda n: record(
        taken(1, dosage=[{"text": "take 1 tablet daily " * (n // 20)}])
    ),
    "a long name": lambda n: record(taken(1, {"text": "levothyroxine " + "1 mg " * (n // 5)})),
    "long names": lambda n: many(
        lambda i: taken(i, {"text": f"levothyroxine {i} " + "1 mg " * 1900}), n
    ),
    "codings of one medicine": lambda n: record(taken(1, {"coding": [
        {"system": "x", "code": str(i), "display": f"thing {i}"} for i in range(n // 60)
    ]})),
    "results": lambda n: many(result, n, SWITCHED, NOW),
    "parts of one result": lambda n: record(NOW, result(1, component=[
        {key: result(1)[key] for key in ("code", "valueQuantity")}
    ] * (n // 160))),
    "conditions": lambda n: many(lambda i: {
        "resourceType": "Condition", "id": str(i), "subject": SUBJECT,
        "code": {"text": "atrial fibrillation"},
    }, n, order(1)),
    "goals": lambda n: many(lambda i: {
        "resourceType": "Goal", "id": str(i), "subject": SUBJECT, "lifecycleStatus": "active",
        "description": {"text": "tsh suppression"},
    }, n, order(1)),
    "other medicines": lambda n: many(lambda i: taken(i, {"text": "warfarin"}), n, order(1)),
    "reasons that are one condition": lambda n: record(
        order(1, reasonReference=[{"reference": "Condition/c"}] * (n // 80)),
        {"resourceType": "Condition", "id": "c", "subject": SUBJECT, "code": {"coding": [
            {"system": "s", "code": str(i)} for i in range(n // 80)
        ]}},
    ),
    "one resource very often": lambda n: record(*[order(1)] * (n // 380)),
    "links to pages": lambda n: record(order(1), link=[{"relation": "next"}] * (n // 24)),
}  # fmt: skip
BYTES: dict[str, Callable[[int], bytes]] = {
    "one long key over a list, and a key twice": lambda n: (
        b'{"n":"\\u0022","' + b"k" * (n // 4) + b'":[' + b"{}," * (n // 4) + b'{"a":1,"a":2}]}'
    ),
    "keys by the thousand, and one twice": lambda n: (
        b"{" + b",".join(b'"k%d":1' % i for i in range(n // 11)) + b',"a":1,"a":2}'
    ),
    "escaped marks": lambda n: b'{"n":"' + b"\\u0022" * (n // 6) + b'"}',
    "escaped backslashes": lambda n: b'{"n":"\\u0022' + b"\\\\" * (n // 2) + b'"}',
    "nests side by side": lambda n: (
        b'{"n":[' + b",".join([b"[" * 60 + b"]" * 60] * (n // 121)) + b"]}"
    ),
    "nests that are too deep": lambda n: (
        b'{"n":[' + b",".join([b"[" * 70 + b"]" * 70] * (n // 141)) + b"]}"
    ),
    "long numbers": lambda n: b'{"n":[' + b",".join([b"9" * 39] * (n // 40)) + b"]}",
}


def ordinary(size: int) -> bytes:
    """An innocent body of that size, of resources that are looked at and passed over."""
    return json.dumps(many(lambda i: result(i, code={"text": "sodium"}), size, order(1))).encode()


def costly(name: str, size: int) -> bytes:
    """The body of that name, of about that size."""
    return BYTES[name](size) if name in BYTES else json.dumps(RECORDS[name](size)).encode()
