"""What a record says beside the thyroid medicines: conditions, results, other medicines."""

from datetime import date, timedelta
from fractions import Fraction
from typing import Any

from tests.properties.million.dosages import SNOMED, UCUM, Chance, Json, number
from tests.properties.million.truth import Person

LOINC = "http://loinc.org"
# SNOMED CT as seen with these meanings in public code lists
CONDITIONS = {
    "hypothyroidism": "40930008", "atrial-fibrillation": "49436004", "heart-failure": "84114007",
    "coronary-disease": "53741008", "osteoporosis": "64859006", "adrenal": "386584007",
    "thyrotoxicosis": "90739004", "unstable-angina": "4557003", "infarction": "22298006",
    "pregnant": "77386006", "hypertension": "38341003", "diabetes": "44054006",
}  # fmt: skip


def patient(made: Person, chance: Chance) -> Json:
    made.female = chance.random() < 0.75
    patient: Json = {"resourceType": "Patient", "id": "p1"}
    if chance.random() < 0.97:
        patient["gender"] = "female" if made.female else "male"
    if chance.random() < 0.96:
        made.age = chance.randint(10, 17) if chance.random() < 0.02 else chance.randint(18, 85)
        born = made.as_of.replace(year=made.as_of.year - made.age, day=1)
        patient["birthDate"] = born.isoformat()
    return patient


def _about(resource_type: str, **more: Any) -> Json:
    return {"resourceType": resource_type, "subject": {"reference": "Patient/p1"}, **more}


def conditions(made: Person, chance: Chance) -> list[Json]:
    if chance.random() < 0.06:
        return []
    named = [] if chance.random() < 0.03 else ["hypothyroidism"]
    rare = [key for key in CONDITIONS if key not in ("hypothyroidism", "pregnant")]
    named += [key for key in rare if chance.random() < (0.12 if key in USUAL else 0.01)]
    if made.female and chance.random() < 0.01:
        named.append("pregnant")
    found = []
    for key in named:
        days = chance.randint(1, 2000) if key != "pregnant" else chance.randint(10, 200)
        made.conditions[key] = days
        found.append(
            _about(
                "Condition",
                id=f"c-{key}",
                code={"coding": [{"system": SNOMED, "code": CONDITIONS[key]}]},
                onsetDateTime=(made.as_of - timedelta(days)).isoformat(),
            )
        )
    return found


USUAL = ("hypertension", "diabetes", "osteoporosis")
TSH_UNITS = ("m[IU]/L", "u[IU]/mL", "mIU/L")
ODD = [
    ("3024-7", {"value": 1.2, "unit": "ng/dL", "system": UCUM, "code": "ng/dL"}),
    ("14920-3", {"value": 15.5, "system": UCUM, "code": "pmol/L"}),
    ("3051-0", {"value": 3.1, "unit": "pg/mL"}),
    ("3016-3", {"value": 2.5, "unit": "furlongs"}),
    ("3016-3", {"value": 2.5}),
    ("3024-7", {"value": 12, "unit": "mg/dL", "system": UCUM, "code": "mg/dL"}),
    ("29463-7", {"value": 71.5, "unit": "kg", "system": UCUM, "code": "kg"}),
    ("8867-4", {"value": 71, "unit": "/min", "system": UCUM, "code": "/min"}),
    ("8867-4", {"value": 118, "unit": "/min", "system": UCUM, "code": "/min"}),
    ("2345-7", {"value": 101, "unit": "mg/dL", "system": UCUM, "code": "mg/dL"}),
]
"""Results in units usual, molar, wrong and none."""


def results(made: Person, chance: Chance) -> list[Json]:
    found: list[Json] = []
    rates: list[tuple[int, float]] = []
    if chance.random() < 0.8:
        low = chance.random() < 0.06
        value = Fraction(chance.randint(1, 9), 100) if low else Fraction(chance.randint(4, 90), 10)
        made.tsh = value
        unit = chance.choice(TSH_UNITS)
        quantity = {"value": number(value), "unit": unit, "system": UCUM, "code": unit}
        found.append(_result("3016-3", quantity, made.as_of, chance.randint(0, 80)))
    for code, quantity in chance.sample(ODD, chance.randint(0, 3)):
        if code != "3016-3":
            days = chance.randint(0, 300)
            found.append(_result(code, quantity, made.as_of, days))
            if code == "8867-4":
                rates.append((days, quantity["value"]))
        elif made.tsh is None:  # passed over: it has no unit that is known
            found.append(_result(code, quantity, made.as_of, 5))
    if rates:
        since = min(days for days, _ in rates)
        made.fast = any(rate > 100 for days, rate in rates if days == since)
    if made.female and (made.age or 30) < 50 and chance.random() < 0.5:
        made.pregnant = chance.random() < 0.04
        status = "LA15173-0" if made.pregnant else "LA26683-5"
        answer = {"coding": [{"system": LOINC, "code": status}]}
        found.append(_result("82810-3", None, made.as_of, 20, valueCodeableConcept=answer))
    return found


def _result(code: str, quantity: Json | None, as_of: date, days: int, **more: Any) -> Json:
    value = {} if quantity is None else {"valueQuantity": quantity}
    return _about(
        "Observation",
        status="final",
        code={"coding": [{"system": LOINC, "code": code}]},
        effectiveDateTime=(as_of - timedelta(days)).isoformat(),
        **value,
        **more,
    )


def others(made: Person, chance: Chance) -> list[Json]:
    found = []
    if "adrenal" in made.conditions and chance.random() < 0.5:
        made.steroid = True
        found.append(_medicine("hydrocortisone 10 mg tablet", made, "s"))
    for place, name in enumerate(chance.sample(OTHERS, chance.choice((0, 0, 1, 2)))):
        made.others.add(name.split(" ", 1)[0])
        found.append(_medicine(name, made, str(place)))
    if chance.random() < 0.4:
        made.pork = chance.random() < 0.05
        code = {"text": "pork" if made.pork else "penicillin"}
        patient = {"reference": "Patient/p1"}
        found.append({"resourceType": "AllergyIntolerance", "patient": patient, "code": code})
    if chance.random() < 0.05:
        found.append({"resourceType": "Practitioner", "id": "d1"})
    return found


OTHERS = [
    "warfarin 5 mg tablet", "calcium carbonate 500 mg", "ferrous sulfate 325 mg",
    "lisinopril 10 mg", "omeprazole 20 mg", "biotin 10 mg",
    "metformin 500 mg", "sertraline 50 mg", "amiodarone 200 mg",
]  # fmt: skip


def _medicine(name: str, made: Person, own_id: str) -> Json:
    key = "medicationCodeableConcept" if made.version == "r4" else "medication"
    return _about(
        "MedicationRequest",
        id=f"other-{own_id}",
        status="active",
        intent="order",
        authoredOn=(made.as_of - timedelta(30)).isoformat(),
        **{key: {"text": name} if made.version == "r4" else {"concept": {"text": name}}},
    )
