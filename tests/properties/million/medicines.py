"""Thyroid medicines as resources, with the daily amount that each is known to hold."""

from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from tests.properties.million.dosages import (
    COUNT_WORDS,
    ONCE,
    SELDOM,
    SNOMED,
    TWICE,
    UCUM,
    WORDS,
    Chance,
    Json,
    When,
    hormone_concept,
    mass,
    mass_words,
    number,
    sig,
    strength_for,
    tablet_concept,
    tablets,
)
from tests.properties.million.reference import D60, D65, FIXED, GRAIN_MG, LT3, LT4, UNIT

DAILY_DOSES = {
    LT4: "12.5 25 37.5 50 62.5 75 88 100 112 125 137 150 162.5 175 200 225 250 300",
    LT3: "2.5 5 7.5 10 12.5 15 20 25 30 37.5 50 60 75 100",
    D60: "15 22.5 30 45 60 75 90 120 150 180 240 300",
    D65: "16.25 32.5 48.75 65 81.25 97.5 113.75 130 162.5 195 260 325",
    FIXED: "12.5 25 37.5 50 75 100 150",
}
USUAL = {key: [Fraction(dose) for dose in doses.split()] for key, doses in DAILY_DOSES.items()}
LIMITS = {LT4: (Fraction("12.5"), 400), LT3: (Fraction("2.5"), 150), FIXED: (Fraction("6.25"), 300)}
"""Half the smallest tablet to more than anybody takes; desiccated thyroid by grains: an eighth to
six."""


@dataclass(slots=True)
class Taken:
    """One resource for one medicine, and the truth: what it comes to a day."""

    medicine: str
    daily: Fraction
    resource: Json
    others: tuple[Json, ...] = ()
    """Resources that it refers to."""

    @property
    def reference(self) -> str:
        """How the record refers to it."""
        return f"{self.resource['resourceType']}/{self.resource['id']}"


def plausible(medicine: str, daily: Fraction) -> bool:
    """Whether nobody would take the dose for a slip."""
    if medicine in GRAIN_MG:
        return Fraction(1, 8) <= daily / GRAIN_MG[medicine] <= 6
    low, high = LIMITS[medicine]
    return low <= daily <= high


def taken(
    medicine: str, place: int, version: str, as_of: date, chance: Chance, *, order: bool = False
) -> Taken:
    """A medicine that is taken on the day, written in one of very many ways."""
    while True:
        made = _written(medicine, chance)
        if plausible(medicine, made.daily):
            break
    body = _body(place, version, made.dosages, as_of, chance)
    if order and body["resourceType"] != "MedicationRequest":
        return taken(medicine, place, version, as_of, chance, order=True)
    others = _name(body, made, medicine, version, chance)
    return Taken(medicine, made.daily, body, others)


@dataclass(slots=True)
class Written:
    """Dosages and the product that they are of, and what both come to a day."""

    dosages: list[Json]
    concept: Json
    daily: Fraction
    strength: Fraction | None = None
    """Of one tablet, where only tablets are counted."""


def _written(medicine: str, chance: Chance) -> Written:
    if medicine != FIXED and chance.random() < 0.05:
        return _of_the_week(medicine, chance)
    when = chance.choice(_schedules(medicine, chance))
    each = _each(medicine, when, chance)
    made = strength_for(medicine, each, chance)
    if made and (medicine == FIXED or chance.random() < 0.55):
        return _of_tablets(medicine, made, when, chance)
    if medicine == LT4 and chance.random() < 0.08:
        return _of_solution(each, when, chance)
    if medicine == D60 and chance.random() < 0.15:
        return _of_grains(each, when, chance)
    return _of_mass(medicine, each, when, chance)


def _schedules(medicine: str, chance: Chance) -> list[When]:
    pick = chance.random()
    if medicine == LT3 and pick < 0.35:
        return TWICE
    return ONCE if pick < 0.88 else SELDOM


def _each(medicine: str, when: When, chance: Chance) -> Fraction:
    dose = chance.choice(USUAL[medicine])
    return dose / 2 if when.per_day == 2 and chance.random() < 0.7 else dose


def _of_tablets(
    medicine: str, made: tuple[Fraction, Fraction], when: When, chance: Chance
) -> Written:
    strength, count = made
    words = chance.choice(COUNT_WORDS[count])
    dosage: Json = {"text": sig(words, when, chance)}
    concept = tablet_concept(medicine, strength, chance)
    daily, pick = strength * count * when.per_day, chance.random()
    if pick < 0.15:
        if (count, when.words) == (1, "daily"):
            dosage["text"] = "take one daily"  # of a tablet of one strength, as labels say it
        return Written([dosage], concept, daily, strength)
    quantity = tablets(count, chance)
    doses: list[Json] = [{"doseQuantity": quantity}]
    if pick < 0.22:
        doses = [{"doseRange": {"low": quantity, "high": quantity}}]
    elif pick < 0.35 and medicine != FIXED:
        doses.append({"doseQuantity": mass(medicine, strength * count, chance)})
    coded: Json = {"doseAndRate": doses, "timing": when.timing}
    return Written([coded | dosage if pick > 0.7 else coded], concept, daily, strength)


def _of_mass(medicine: str, each: Fraction, when: When, chance: Chance) -> Written:
    if medicine in GRAIN_MG and (each / BOTH_FAMILIES_MG).denominator == 1:
        return _written(medicine, chance)  # its family cannot be told from the dose
    dosage: Json = {"text": sig(mass_words(medicine, each), when, chance)}
    concept, pick = hormone_concept(medicine, chance), chance.random()
    if pick < 0.15:
        return Written([dosage], concept, each * when.per_day)
    coded: Json = {
        "doseAndRate": [{"doseQuantity": mass(medicine, each, chance)}],
        "timing": when.timing,
    }
    if pick > 0.9:
        coded["route"] = {"coding": [{"system": SNOMED, "code": "26643006"}]}
    return Written([coded | dosage if pick > 0.7 else coded], concept, each * when.per_day)


BOTH_FAMILIES_MG = Fraction("97.5")
"""Thirteen eighths of 60 mg and twelve of 65 mg: the smallest dose that tablets of both make."""


def _of_solution(each: Fraction, when: When, chance: Chance) -> Written:
    concept = {"text": f"{chance.choice(WORDS[LT4])} 100 mcg/5 mL oral solution"}
    millilitres = {"value": number(each / 20), "unit": "mL", "system": UCUM, "code": "mL"}
    coded = {"doseAndRate": [{"doseQuantity": millilitres}], "timing": when.timing}
    return Written([coded], concept, each * when.per_day)


def _of_grains(each: Fraction, when: When, chance: Chance) -> Written:
    coded = {"system": UCUM, "code": "[gr]", "unit": "grain"}
    quantity = {"value": number(each / 60), **(coded if chance.random() < 0.5 else {"unit": "gr"})}
    dosage = {"doseAndRate": [{"doseQuantity": quantity}], "timing": when.timing}
    return Written([dosage], hormone_concept(D60, chance), each * when.per_day)


def _of_the_week(medicine: str, chance: Chance) -> Written:
    """More on weekdays than at the weekend: two dosages, or one sentence."""
    single = [
        dose
        for dose in USUAL[medicine][1:8]
        if medicine not in GRAIN_MG or (dose / BOTH_FAMILIES_MG).denominator != 1
    ]
    more, less = sorted(chance.sample(single, 2), reverse=True)
    daily, concept = (5 * more + 2 * less) / 7, hormone_concept(medicine, chance)
    if chance.random() < 0.4:
        text = f"{mass_words(medicine, more)} Mon-Fri and {mass_words(medicine, less)} Sat-Sun"
        return Written([{"text": text}], concept, daily)
    parts = ((more, ["mon", "tue", "wed", "thu", "fri"]), (less, ["sat", "sun"]))
    dosages = [
        {
            "doseAndRate": [{"doseQuantity": mass(medicine, amount, chance)}],
            "timing": {"repeat": {"dayOfWeek": days}},
        }
        for amount, days in parts
    ]
    return Written(dosages, concept, daily)


# --- the resource around the doses -------------------------------------------------------------


def _body(place: int, version: str, dosages: list[Json], as_of: date, chance: Chance) -> Json:
    began = (as_of - timedelta(chance.randint(50, 360))).isoformat()
    body: Json = {
        "resourceType": chance.choice(("MedicationStatement", "MedicationRequest")),
        "id": f"m{place}",
        "status": "active",
        "subject": {"reference": "Patient/p1"},
    }
    if body["resourceType"] == "MedicationRequest":
        body["intent"] = chance.choice(("order", "order", "original-order"))
        body["authoredOn"] = began
        body["dosageInstruction"] = dosages
        if chance.random() < 0.3:
            body["requester"] = {"reference": "Practitioner/d1"}
        return body
    body["dosage"] = dosages
    body["effectivePeriod"] = {"start": began}
    if version == "r5":
        body["status"] = "recorded"
        body["adherence"] = {"code": {"coding": [{"code": "taking"}]}}
    return body


def _name(
    body: Json, made: Written, medicine: str, version: str, chance: Chance
) -> tuple[Json, ...]:
    """The medicine by its concept, by a contained Medication, or by one beside it."""
    pick = chance.random()
    if pick < 0.75:
        key = "medicationCodeableConcept" if version == "r4" else "medication"
        body[key] = made.concept if version == "r4" else {"concept": made.concept}
        return ()
    product: Json = {"resourceType": "Medication", "id": f"x{body['id']}"}
    if made.strength is not None and medicine != FIXED and chance.random() < 0.5:
        product["ingredient"] = [_ingredient(medicine, made.strength, version, chance)]
    else:
        product["code"] = made.concept
    contained = pick < 0.9
    address = {"reference": f"#{product['id']}" if contained else f"Medication/{product['id']}"}
    if contained:
        body["contained"] = [product]
    if version == "r4":
        body["medicationReference"] = address
    else:
        body["medication"] = {"reference": address}
    return () if contained else (product,)


def _ingredient(medicine: str, strength: Fraction, version: str, chance: Chance) -> Json:
    """A hormone with its content of one tablet, as a ratio."""
    unit = UNIT[medicine]
    ratio = {
        "numerator": {"value": number(strength), "unit": unit, "system": UCUM, "code": unit},
        "denominator": {"value": 1, "unit": "tablet", "system": UCUM, "code": "{tbl}"},
    }
    concept = hormone_concept(medicine, chance)
    if version == "r5":
        return {"item": {"concept": concept}, "strengthRatio": ratio}
    return {"itemCodeableConcept": concept, "strength": ratio}
