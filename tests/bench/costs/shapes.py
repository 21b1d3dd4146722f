"""Records, and bodies that are none, made to cost more than their bytes; each of a given size."""

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


def a_part_of_years(number: int) -> Json:
    """Of a chart kept for decades: results with ranges and notes, visits, diagnoses, medicines."""
    made = {
        "meta": {"lastUpdated": f"{on(number)}T00:00:00Z", "profile": ["https://ehr.example/x"]},
        "encounter": {"reference": f"Encounter/{number // 12}"},
        "identifier": [{"system": "https://ehr.example/ids", "value": f"a-{number:012}"}],
        "category": [
            {
                "coding": [
                    {
                        "system": "https://ehr.example/kinds",
                        "code": "of-a-visit",
                        "display": "Filed at a visit",
                    }
                ]
            }
        ],
        "issued": f"{on(number)}T10:00:00Z",
        "text": {"status": "generated", "div": "<div>" + "as it was filed " * 12 + "</div>"},
    }
    limits = {end: {"value": value, "system": UCUM, "code": "m[IU]/L"}
              for end, value in (("low", 0.4), ("high", 4.0))}  # fmt: skip
    made["extension"] = [{"url": f"https://ehr.example/x{place}", "valueString": "filed"}
                         for place in range(4)]  # fmt: skip
    match number % 12:
        case 0:
            return {"resourceType": "Encounter", "id": str(number), "status": "finished", **made}
        case 1:
            return {"resourceType": "Condition", "id": str(number), "subject": SUBJECT,
                    "code": {"text": f"a diagnosis of visit {number}"}, **made}  # fmt: skip
        case 2:
            other = {"text": f"another medicine {number % 60}"}
            return order(number, other, status="completed", **made)
        case 3:
            return {"resourceType": "Procedure", "id": str(number), "subject": SUBJECT, **made}
        case _:
            return result(number, referenceRange=[limits], **made)


def nested(levels: int) -> Json:
    """An extension in an extension, so many levels down."""
    inside: Json = {"url": "x", "valueString": "y"}
    for _ in range(levels // 2):  # an object and a list are two
        inside = {"url": "x", "extension": [inside]}
    return inside


def many_notes(size: int) -> list[Json]:
    return [{"text": f"take 1 tablet daily with {i}"} for i in range(size // 44)]


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
    "drafts of other medicines beside conditions": lambda n: record(
        *[order(i, {"text": "warfarin"}, status="draft") for i in range(n // 900)],
        *[{"resourceType": "Condition", "id": str(i), "subject": SUBJECT,
           "code": {"text": "atrial fibrillation"}} for i in range(n // 320)],
    ),
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
    "a full record of years": lambda n: many(
        lambda i: a_part_of_years(i + 12), n, SWITCHED, NOW
    ),
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
    "one resource very often": lambda n: record(*[order(1)] * (n // 500)),
    "other medicines of one id": lambda n: record(
        *[taken(1, {"text": f"drug {i % 900}"}) for i in range(n // 415)], order(1)
    ),
    "other medicines, each of its own name": lambda n: many(
        lambda i: taken(i, {"text": f"drug {i}"}), n, order(1)
    ),
    "other medicines in draft": lambda n: many(
        lambda i: order(i, {"text": "warfarin"}, status="draft"), n, NOW
    ),
    "orders that replace each other in a ring": lambda n: many(
        lambda i: order(
            i, either(i), priorPrescription={"reference": f"MedicationRequest/{(i + 1) % 400}"}
        ), n
    ),
    "orders that ask for something": lambda n: many(
        lambda i: order(i, dosageInstruction=[{"text": f"as directed {i}"}]), n
    ),
    "references of one statement": lambda n: record(NOW, taken(
        1, derivedFrom=[{"reference": f"MedicationRequest/{i}"} for i in range(n // 45)]
    )),
    "additional instructions of one dosage": lambda n: record(taken(1, dosage=[{
        **dosage(),
        "additionalInstruction": [{"text": f"with {i} mL water"} for i in range(n // 35)],
    }])),
    "times of one dosage": lambda n: record(taken(1, dosage=[
        dosage(timeOfDay=[f"{i % 24:02}:{i % 60:02}:00" for i in range(n // 12)])
    ])),
    "doses of one dosage": lambda n: record(taken(1, dosage=[
        {**dosage(), "doseAndRate": [dosage(i)["doseAndRate"][0] for i in range(n // 95)]}
    ])),
    "notes": lambda n: record(order(1, note=many_notes(n))),
    "notes beside many dosages": lambda n: record(taken(
        1, note=many_notes(n // 2), dosage=[dosage(i) for i in range(1, n // 370)]
    )),
    "a long note": lambda n: record(
        order(1, note=[{"text": "take half, then stop. " * (n // 22)}])
    ),
    "contained, each referred to": lambda n: record(order(
        1,
        contained=[{"resourceType": "Condition", "id": str(i)} for i in range(n // 90)],
        reasonReference=[{"reference": f"#{i}"} for i in range(n // 90)],
    )),
    "one long word": lambda n: record(order(1, note=[{"text": "a" * n}])),
    "a long instruction without a space": lambda n: record(
        taken(1, dosage=[{"text": "1" * (n // 2) + "x" * (n // 2)}])
    ),
    "a long unit": lambda n: record(result(1, valueQuantity={"value": 1, "unit": "u." * (n // 2)})),
    "a long id": lambda n: record(order(1, id="i" * n)),
    "a long group": lambda n: record(
        order(1, groupIdentifier={"system": "s", "value": "g" * n}), result(2)
    ),
    "a long address": lambda n: record(order(1, id="1"), taken(
        2, derivedFrom=[{"reference": "MedicationRequest/" + "r" * (n // 2)}],
        effectivePeriod={"start": "2" * (n // 2)},
    )),
    "a long narrative": lambda n: record(
        order(1, text={"status": "generated", "div": "<div>" + "<b>x</b>" * (n // 8) + "</div>"})
    ),
    "extensions in extensions": lambda n: many(lambda i: result(i, extension=[nested(40)]), n, NOW),
    "extensions in extensions of orders": lambda n: many(
        lambda i: order(i, either(i), status="completed", modifierExtension=[nested(40)]), n, NOW
    ),
    "wide extensions": lambda n: record(
        order(1, extension=[{"url": "x", "valueInteger": i} for i in range(n // 34)])
    ),
    "identifiers of one order": lambda n: record(
        order(1, identifier=[{"system": "s", "value": str(i)} for i in range(n // 36)]), NOW
    ),
    "patients": lambda n: record(*[PATIENT] * (n // 75), NOW),
    "allergies": lambda n: many(lambda i: {
        "resourceType": "AllergyIntolerance", "id": str(i), "patient": SUBJECT,
        "code": {"text": f"levothyroxine {i}"},
    }, n, NOW),
    "quantities of many digits": lambda n: many(
        lambda i: result(i, valueQuantity={
            "value": 10**30 + i, "system": UCUM, "code": "m[IU]/L"
        }), n, NOW
    ),
    "medicines that nothing names": lambda n: many(lambda i: {
        "resourceType": "MedicationStatement", "id": str(i), "subject": SUBJECT,
        "status": "active",
    }, n, NOW),
    "resources that are not read": lambda n: many(lambda i: {"resourceType": "Flag"}, n, NOW),
    "resources of no known kind": lambda n: many(lambda i: {"resourceType": f"T{i}"}, n, NOW),
    "outcomes that are grave": lambda n: many(
        lambda i: {"resourceType": "OperationOutcome"}, n, NOW
    ),
    "results that cannot be read": lambda n: many(
        lambda i: result(i, valueQuantity={"value": 2, "unit": f"u{i}"}), n, NOW
    ),
    "statements for and against": lambda n: many(lambda i: taken(
        i, either(i // 2), dateAsserted=on(i), status=("active", "stopped")[i % 2],
    ), n),
    "dosages of one draft by their dates": lambda n: record(NOW, order(
        1, status="draft", dosageInstruction=[
            dosage(boundsPeriod={"start": on(i), "end": on(i + 1)}) for i in range(n // 210)
        ],
    )),
    "drafts of one series": lambda n: many(lambda i: order(
        i, THYROID, status="draft", groupIdentifier={"value": "g"},
        priorPrescription={"reference": f"MedicationRequest/{i - 1}"},
    ), n, NOW),
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
    "nothing in a list": lambda n: b'{"n":[' + b",".join([b"{}"] * (n // 3)) + b"]}",
    "long whole numbers": lambda n: b'{"n":[' + b",".join([b"9" * 39] * (n // 40)) + b"]}",
    "numbers that are too long": lambda n: b'{"n":' + b"9" * n + b"}",
    "decimals, each another": lambda n: (
        b'{"n":[' + b",".join(b"0.%07d" % i for i in range(n // 10)) + b"]}"
    ),
    "text that is no JSON": lambda n: b'{"n":"' + b"x" * n,
}


def ordinary(size: int) -> bytes:
    """An innocent body of that size, of resources that are looked at and passed over."""
    return json.dumps(many(lambda i: result(i, code={"text": "sodium"}), size, order(1))).encode()


def shape(name: str, size: int) -> Json | bytes:
    """The record of that name, of about that size, or a body that is no record."""
    return BYTES[name](size) if name in BYTES else RECORDS[name](size)
