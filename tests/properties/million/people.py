"""Invented records with the truth about them: what is taken, what stands against a switch."""

import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

from tests.properties.million.dosages import SNOMED, UCUM, Chance, Json, number
from tests.properties.million.medicines import Taken, plausible, taken
from tests.properties.million.reference import (
    CHARTS,
    D60,
    D65,
    EXACT,
    FIXED,
    LT3,
    LT4,
    Amounts,
    Wish,
    lt4_equivalent,
    t3_ug,
    target_on,
)
from tests.properties.million.unreadable import REFUSED, UNREADABLE

LOINC = "http://loinc.org"
COMBINATIONS: list[tuple[tuple[str, ...], int]] = [
    ((LT4,), 30), ((D60,), 14), ((D65,), 10), ((LT3,), 12), ((LT4, LT3), 12), ((D60, LT3), 4),
    ((D65, LT3), 4), ((LT4, D60), 3), ((LT4, D65), 3), ((FIXED,), 4), ((LT4, D65, LT3), 2),
    ((FIXED, LT4), 1), ((FIXED, LT3), 1),
]  # fmt: skip
TARGETS = (
    "levothyroxine", "liothyronine", "desiccated-thyroid", "levothyroxine-liothyronine",
    "desiccated-thyroid-liothyronine",
)  # fmt: skip

SINGLE = {
    (LT4,): "levothyroxine", (LT3,): "liothyronine", (D60,): "desiccated-thyroid",
    (D65,): "desiccated-thyroid",
}  # fmt: skip
"""What is taken alone, as a target."""

# SNOMED CT as seen with these meanings in public code lists
CONDITIONS = {
    "hypothyroidism": "40930008", "atrial-fibrillation": "49436004", "heart-failure": "84114007",
    "coronary-disease": "53741008", "osteoporosis": "64859006", "adrenal": "386584007",
    "thyrotoxicosis": "90739004", "unstable-angina": "4557003", "infarction": "22298006",
    "pregnant": "77386006", "hypertension": "38341003", "diabetes": "44054006",
}  # fmt: skip
HEART = {
    "atrial-fibrillation",
    "heart-failure",
    "coronary-disease",
    "unstable-angina",
    "infarction",
}


@dataclass(slots=True)
class Person:
    """A record, what is asked of it, and what is true of it."""

    number: int
    version: str
    as_of: date
    start: date
    bundle: Json
    taken: list[Taken]
    wish: Wish
    chart: str
    pace: str
    prior_therapy: str
    amounts: Amounts
    """What is taken a day, by medicine."""
    fate: str = "read"
    """``read``; ``asked`` where a dose cannot be told; ``refused`` where it is no FHIR."""
    age: int | None = None
    female: bool = True
    pregnant: bool = False
    steroid: bool = False
    others: set[str] = field(default_factory=set)
    """Other medicines, by name."""
    fast: bool = False
    """A resting heart rate above 100 within ninety days."""
    pork: bool = False
    conditions: dict[str, int | None] = field(default_factory=dict)
    """Condition and the days since it began."""
    tsh: Fraction | None = None
    """Of a fresh final result, mIU/L."""
    draft: str | None = None
    """The medicine of a draft order in the record."""

    @property
    def cautious(self) -> bool:
        """Whether heart or age allow only a slow overlap (labels, ATA 2014)."""
        return bool(HEART & self.conditions.keys()) or (self.age or 0) >= 65

    def holds(self) -> list[str]:
        """What a series must wait for, as far as the record alone says (labels; Am Fam Physician
        2017;95:710; ATA 2014)."""
        lt4 = sum(a for m, a in self.amounts.items() if m in (LT4, FIXED))
        against = {key: key in self.conditions for key in HEART - {"unstable-angina", "infarction"}}
        against |= {
            "age-65-or-over": (self.age or 0) >= 65,
            "lt4-high-today": lt4 > 200,
            "amiodarone": "amiodarone" in self.others,
            "heart-rate-high": self.fast,
            "adrenal-insufficiency-treated": "adrenal" in self.conditions and self.steroid,
        }
        return [code for code, stands in against.items() if stands]

    def stops(self) -> list[str]:
        """What no series may be proposed with, by the reference's rules."""
        own = self.amounts
        aim = target_on(self.chart, self.wish, lt4_equivalent(self.chart, own))
        more_t3 = t3_ug(aim) > t3_ug(own) + EXACT
        rises = more_t3 or any(
            lt4_equivalent(chart, aim) > 1.05 * lt4_equivalent(chart, own) + EXACT
            for chart in CHARTS
        )
        infarction = self.conditions.get("infarction")
        desiccated = self.wish.target.startswith("desiccated")
        against = {
            "under-18": self.age is not None and self.age < 18,
            "hypothyroidism-not-established": bool(self.conditions)
            and "hypothyroidism" not in self.conditions
            and not (self.tsh is not None and self.tsh > 4),
            "adrenal-insufficiency": "adrenal" in self.conditions and not self.steroid,
            "thyrotoxicosis": "thyrotoxicosis" in self.conditions and rises,
            "tsh-suppressed": self.tsh is not None and self.tsh < Fraction("0.1") and rises,
            "recent-myocardial-infarction": infarction is not None and infarction < 92,
            "unstable-angina": "unstable-angina" in self.conditions,
            "pregnant-t3-target": (self.pregnant or "pregnant" in self.conditions)
            and self.wish.target != "levothyroxine",
            "allergy-pork": self.pork and desiccated,
        }
        return [code for code, stands in against.items() if stands]


BLOCK = 1000
KNOWN_DOSES = 40
SHARE_OF_KNOWN = 0.8
"""In a block, so many of the records are of a few doses and wishes, as in a day of prescribing: the
service keeps plans, and must give each patient their own."""


def person(seed: int, number_of: int) -> Person:
    """The record of one number of one seed: always the same."""
    chance = random.Random(seed * 10_000_000 + number_of)
    doses = chance
    if chance.random() < SHARE_OF_KNOWN:
        known = number_of // BLOCK * KNOWN_DOSES + chance.randrange(KNOWN_DOSES)
        doses = random.Random(-1 - seed * 10_000_000 - known)
    version = chance.choice(("r4", "r5"))
    as_of = date(2025, 1, 1) + timedelta(chance.randint(0, 700))
    medicines = doses.choices(*zip(*COMBINATIONS, strict=True))[0]
    own = [taken(m, place, version, as_of, doses) for place, m in enumerate(medicines)]
    if LT4 in medicines and doses.random() < 0.04:
        own = _in_two_orders(own, version, as_of, doses)
    made = Person(
        number=number_of,
        version=version,
        as_of=as_of,
        start=as_of + timedelta(chance.choice((0, 0, 0, 1, 7, 30))),
        bundle={"resourceType": "Bundle", "type": "collection", "entry": []},
        taken=own,
        wish=_wish(medicines, doses),
        chart=doses.choice(CHARTS),
        pace=doses.choice(("standard", "standard", "brisk", "cautious")),
        prior_therapy=doses.choice(("overlap", "overlap", "stop")),
        amounts={m: float(sum(one.daily for one in own if one.medicine == m)) for m in medicines},
    )
    resources = [
        _patient(made, chance),
        *(r for one in own for r in (one.resource, *one.others)),
        *_conditions(made, chance),
        *_results(made, chance),
        *_others(made, chance),
    ]
    pick = chance.random()
    if pick < 0.24:
        made.fate = "asked"
        chance.choice(UNREADABLE)(chance.choice(own).resource, resources, chance)
    elif pick < 0.29:
        made.fate = "refused"
        chance.choice(REFUSED)(chance.choice(own).resource, resources, chance)
    if chance.random() < 0.3:
        head, *rest = resources
        chance.shuffle(rest)
        resources = [head, *rest]
    made.bundle["entry"] = [{"resource": resource} for resource in resources]
    return made


def _in_two_orders(own: list[Taken], version: str, as_of: date, chance: Chance) -> list[Taken]:
    """Levothyroxine by two orders that are tied together, as of two strengths."""
    while True:
        two = [taken(LT4, place, version, as_of, chance, order=True) for place in (8, 9)]
        if two[0].daily != two[1].daily and plausible(LT4, two[0].daily + two[1].daily):
            break
    for one in two:
        one.resource["groupIdentifier"] = {"system": "https://ehr.example/group", "value": "g1"}
    return [*(one for one in own if one.medicine != LT4), *two]


def _wish(medicines: tuple[str, ...], chance: Chance) -> Wish:
    family = next((m for m in medicines if m in (D60, D65)), chance.choice((D60, D65)))
    target = chance.choice(TARGETS)
    if chance.random() < 0.7:  # else many would ask for what they take
        target = chance.choice([t for t in TARGETS if t != SINGLE.get(medicines)])
    return Wish(
        target,
        family,
        chance.randint(13, 20),
        chance.randint(1, 9) / 10,
        guideline=chance.random() < 0.2,
    )


def _patient(made: Person, chance: Chance) -> Json:
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


def _conditions(made: Person, chance: Chance) -> list[Json]:
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


def _results(made: Person, chance: Chance) -> list[Json]:
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


def _others(made: Person, chance: Chance) -> list[Json]:
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
