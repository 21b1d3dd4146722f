"""Patients and what is asked for them, by number: moves × paces × ages, weights, labs, conditions.

A case says in its own words what is true of the patient; `call_of` writes it as a FHIR call.
"""

import random
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

Json = dict[str, Any]
AS_OF = date(2025, 3, 3)
UCUM, SNOMED, LOINC = "http://unitsofmeasure.org", "http://snomed.info/sct", "http://loinc.org"


@dataclass(frozen=True, slots=True)
class Taken:
    """A medicine of today: its daily amount (µg, or mg of desiccated thyroid) in equal doses."""

    medicine: str
    amount: float
    times: int = 1

    @property
    def reference(self) -> str:
        """How the record refers to it."""
        return f"MedicationStatement/{self.medicine}"


@dataclass(frozen=True, slots=True)
class Case:
    """A patient of the grid and the options of the call.

    Times are in days before the call. `tsh_days` is the age of every result; `held_days` how long
    the regimen has been taken. `weeks` is of pregnancy.
    """

    version: str = "r4"
    taken: tuple[Taken, ...] = (Taken("lt4", 150),)
    target: str = "desiccated-thyroid"
    family: str = "d60"
    pace: str = "standard"
    prior: str = "overlap"
    basis: str = "practice"
    ratio: int = 17
    age: int = 45
    female: bool = True
    weight: float | None = None
    tsh: float | None = 2.0
    free_t4: float | None = None
    free_t3: float | None = None
    """Free T4 and free T3 in pmol/L."""
    tsh_range: tuple[float, float] | None = None
    tsh_days: int = 14
    pulse: int | None = 70
    held_days: int = 700
    weeks: int | None = None
    conditions: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    told: str = ""
    """Free text of one more condition."""
    names: tuple[tuple[str, str], ...] = ()
    """How a medicine of today is called, where it is not by its English name."""

    @property
    def pregnant(self) -> bool:
        """Whether she is."""
        return self.weeks is not None


MOVES: list[tuple[tuple[str, ...], tuple[str, ...]]] = [
    (("lt4",), ("desiccated-thyroid", "levothyroxine-liothyronine", "liothyronine",
                "desiccated-thyroid-liothyronine")),
    (("lt4",), ("desiccated-thyroid", "levothyroxine-liothyronine")),
    (("d60",), ("levothyroxine", "levothyroxine-liothyronine", "liothyronine",
                "desiccated-thyroid-liothyronine")),
    (("d65",), ("levothyroxine", "liothyronine")),
    (("lt3",), ("levothyroxine", "desiccated-thyroid", "levothyroxine-liothyronine")),
    (("lt4", "lt3"), ("levothyroxine", "desiccated-thyroid")),
    (("d60", "lt3"), ("levothyroxine", "desiccated-thyroid")),
]  # fmt: skip
DOSES = {
    "lt4": (25, 50, 75, 88, 100, 112, 125, 137, 150, 175, 200, 250),
    "d60": (15, 30, 60, 90, 120, 150, 180, 240),
    "d65": (32.5, 65, 97.5, 130, 195),
    "lt3": (5, 10, 15, 20, 25, 30, 40, 50, 75),
}
CONDITIONS = {
    "hypothyroidism": "40930008",
    "atrial-fibrillation": "49436004",
    "coronary-disease": "53741008",
    "heart-failure": "84114007",
    "osteoporosis": "64859006",
    "central-hypothyroidism": "82598004",
    "pregnant": "77386006",
    "diabetes": "44054006",
}
"""SNOMED CT, as seen with these meanings in public code lists; the central one from memory."""
HEART = ("atrial-fibrillation", "coronary-disease", "heart-failure")
OTHERS = ("warfarin", "insulin glargine", "calcium carbonate", "digoxin")


def case(seed: int, number: int) -> Case:
    """The case of one number of one seed: always the same."""
    chance = random.Random(seed * 10_000_000 + number)
    medicines, targets = chance.choice(MOVES)
    pregnant = chance.random() < 0.10
    age = chance.randint(19, 44) if pregnant else chance.choice((25, 40, 55, 64, 65, 69, 70, 82))
    target = chance.choice(targets)
    if pregnant:
        target = "levothyroxine" if medicines != ("lt4",) else target
    return Case(
        version=chance.choice(("r4", "r5")),
        taken=tuple(_taken(medicine, chance) for medicine in medicines),
        target=target,
        family=medicines[0] if medicines[0] in ("d60", "d65") else chance.choice(("d60", "d65")),
        pace=chance.choice(("standard", "standard", "brisk", "cautious")),
        prior=chance.choice(("overlap", "overlap", "stop")),
        basis=chance.choice(("practice", "practice", "label", "trial", "content")),
        ratio=chance.choice((13, 15, 17, 20)),
        age=age,
        female=pregnant or chance.random() < 0.7,
        weight=chance.choice((None, None, 45, 60, 75, 110, 150)),
        tsh=chance.choice((None, 0.05, 0.2, 1.0, 2.0, 3.5, 5.0, 9.0, 18.0)),
        free_t4=chance.choice((None, None, 7.0, 14.0)),
        free_t3=chance.choice((None, None, 3.4, 5.0)),
        tsh_range=chance.choice((None, None, (0.3, 4.5))),
        tsh_days=chance.choice((5, 14, 40, 80)),
        pulse=chance.choice((None, 70, 70, 70, 115)),
        held_days=chance.choice((20, 400, 700, 900)),
        weeks=chance.choice((6, 16, 30)) if pregnant else None,
        conditions=_conditions(chance),
        others=_others(chance),
    )


def _others(chance: random.Random) -> tuple[str, ...]:
    return (chance.choice(OTHERS),) if chance.random() < 0.2 else ()


def _conditions(chance: random.Random) -> tuple[str, ...]:
    pick = chance.random()
    if pick < 0.6:
        return ()
    return (chance.choice((*HEART, *HEART, "osteoporosis", "central-hypothyroidism", "diabetes")),)


def _taken(medicine: str, chance: random.Random) -> Taken:
    amount = chance.choice(DOSES[medicine])
    twice = medicine == "lt3" and amount in (10, 20, 30, 40, 50) and chance.random() < 0.6
    return Taken(medicine, amount, 2 if twice else 1)


# --- as FHIR ------------------------------------------------------------------------------------

WORDS = {
    "lt4": "levothyroxine sodium",
    "lt3": "liothyronine sodium",
    "d60": "desiccated thyroid 60 mg tablet",
    "d65": "desiccated thyroid 65 mg tablet",
}
UNIT = {"lt4": "ug", "lt3": "ug", "d60": "mg", "d65": "mg"}
BASE = {"resourceType": "Bundle", "type": "collection"}
ABOUT = {"reference": "Patient/p1"}


def call_of(made: Case) -> Json:
    """The call as Parameters."""
    resources = [
        {
            "resourceType": "Patient",
            "id": "p1",
            "gender": "female" if made.female else "male",
            "birthDate": AS_OF.replace(year=AS_OF.year - made.age, day=1).isoformat(),
        },
        *(_medicine(made, taken) for taken in made.taken),
        *_history(made),
        *_results(made),
        *(_other(made, name) for name in made.others),
    ]
    options = {
        "target": made.target,
        "basis": made.basis,
        "pace": made.pace,
        "prior-therapy": made.prior,
    }
    if made.target.startswith("desiccated"):
        options["desiccated-family"] = f"desiccated-thyroid-{made.family[1:]}"
    mixed = [{"name": "ratio", "valueDecimal": made.ratio}]
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "record", "resource": {**BASE, "entry": [{"resource": r} for r in resources]}},
            {"name": "as-of", "valueDate": AS_OF.isoformat()},
            *(mixed if made.target == "levothyroxine-liothyronine" else ()),
            *({"name": name, "valueCode": code} for name, code in options.items()),
        ],
    }


def _ago(days: int) -> str:
    return (AS_OF - timedelta(days)).isoformat()


def _medicine(made: Case, taken: Taken) -> Json:
    amount = {"value": taken.amount / taken.times, "unit": UNIT[taken.medicine]}
    often = {"frequency": taken.times, "period": 1, "periodUnit": "d"}
    body: Json = {
        "resourceType": "MedicationStatement",
        "id": taken.medicine,
        "subject": ABOUT,
        "effectivePeriod": {"start": _ago(made.held_days)},
        "dosage": [
            {
                "timing": {"repeat": often},
                "doseAndRate": [
                    {"doseQuantity": {**amount, "system": UCUM, "code": UNIT[taken.medicine]}}
                ],
            }
        ],
    }
    return _named(made, body, dict(made.names).get(taken.medicine, WORDS[taken.medicine]))


def _other(made: Case, name: str) -> Json:
    body = {"resourceType": "MedicationStatement", "id": f"o-{name.split(maxsplit=1)[0]}"}
    known = {**body, "subject": ABOUT, "effectivePeriod": {"start": _ago(400)}}
    return _named(made, known, name)


def _named(made: Case, body: Json, words: str) -> Json:
    if made.version == "r4":
        return {**body, "status": "active", "medicationCodeableConcept": {"text": words}}
    taking = {"code": {"coding": [{"code": "taking"}]}}
    return {
        **body,
        "status": "recorded",
        "adherence": taking,
        "medication": {"concept": {"text": words}},
    }


def _history(made: Case) -> list[Json]:
    keys = ["hypothyroidism", *made.conditions]
    days = dict.fromkeys(keys, 1500)
    if made.weeks is not None:
        days["pregnant"] = made.weeks * 7
    found = [
        _condition(f"c-{key}", {"coding": [{"system": SNOMED, "code": CONDITIONS[key]}]}, since)
        for key, since in days.items()
    ]
    return [*found, *([_condition("c-told", {"text": made.told}, 30)] if made.told else [])]


def _condition(own: str, code: Json, days: int) -> Json:
    active = {
        "system": "http://terminology.hl7.org/CodeSystem/condition-clinical",
        "code": "active",
    }
    return {
        "resourceType": "Condition",
        "id": own,
        "subject": ABOUT,
        "clinicalStatus": {"coding": [active]},
        "code": code,
        "onsetDateTime": _ago(days),
    }


def _results(made: Case) -> list[Json]:
    found: list[Json] = []
    if made.tsh is not None:
        found.append(_result("3016-3", made.tsh, "m[IU]/L", made.tsh_days))
        if made.tsh_range:
            low, high = ({"value": limit, "unit": "m[IU]/L", "system": UCUM, "code": "m[IU]/L"}
                         for limit in made.tsh_range)  # fmt: skip
            found[-1]["referenceRange"] = [{"low": low, "high": high}]
    for code, value, (low, high) in (
        ("14920-3", made.free_t4, (9.0, 19.0)),
        ("14928-6", made.free_t3, (3.1, 6.8)),
    ):
        if value is not None:
            found.append(_result(code, value, "pmol/L", made.tsh_days))
            limits = {"low": _amount(low, "pmol/L"), "high": _amount(high, "pmol/L")}
            found[-1]["referenceRange"] = [limits]
    if made.pulse is not None:
        found.append(_result("8867-4", made.pulse, "/min", 7))
    if made.weight is not None:
        found.append(_result("29463-7", made.weight, "kg", 7))
    if made.female and made.age <= 55:
        status = "LA15173-0" if made.pregnant else "LA26683-5"
        answer = {"coding": [{"system": LOINC, "code": status}]}
        found.append({**_observed("82810-3", 7), "valueCodeableConcept": answer})
    return found


def _amount(value: float, unit: str) -> Json:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def _observed(code: str, days: int) -> Json:
    return {
        "resourceType": "Observation",
        "id": f"r-{code}",
        "status": "final",
        "subject": ABOUT,
        "code": {"coding": [{"system": LOINC, "code": code}]},
        "effectiveDateTime": _ago(days),
    }


def _result(code: str, value: float, unit: str, days: int) -> Json:
    return {**_observed(code, days), "valueQuantity": _amount(value, unit)}
