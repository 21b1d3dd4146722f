"""Every way that a dose is written in FHIR, beside what it comes to a day."""

import random
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from tests.properties.million.reference import D60, D65, FIXED, GRAIN_MG, LT3, LT4, STRENGTHS, UNIT

Json = dict[str, Any]
Chance = random.Random
RXNORM, ATC = "http://www.nlm.nih.gov/research/umls/rxnorm", "http://www.whocc.no/atc"
UCUM, SNOMED = "http://unitsofmeasure.org", "http://snomed.info/sct"
FORMS = "http://terminology.hl7.org/CodeSystem/v3-orderableDrugForm"
TIMINGS = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation"
RXNORM_TABLET = {
    (LT4, Fraction(75)): "966222", (LT4, Fraction(88)): "966253", (LT4, Fraction(100)): "892246",
    (D60, Fraction(15)): "314267", (D60, Fraction(30)): "313387", (D60, Fraction(60)): "313391",
    (D60, Fraction(90)): "313393", (D60, Fraction(120)): "208545", (D60, Fraction(180)): "198278",
    (D60, Fraction(240)): "313385", (D60, Fraction(300)): "315235",
    (D65, Fraction("16.25")): "728581", (D65, Fraction("32.5")): "347151",
    (D65, Fraction("48.75")): "1099948", (D65, Fraction(65)): "313396",
    (D65, Fraction("81.25")): "1537811", (D65, Fraction("97.5")): "1041814",
    (D65, Fraction("113.75")): "1537803", (D65, Fraction(130)): "198277",
    (D65, Fraction("146.25")): "1537807", (D65, Fraction("162.5")): "1537767",
    (D65, Fraction(195)): "315234", (D65, Fraction(260)): "313386", (D65, Fraction(325)): "313389",
}  # fmt: skip
"""RxNorm clinical drugs: desiccated thyroid by the value set named in `reference`, levothyroxine
as seen in public lists."""
INGREDIENT = {LT4: "10582", LT3: "10814", D60: "10572", D65: "10572"}
ATC_CODE = {LT4: "H03AA01", LT3: "H03AA02", D60: "H03AA05", D65: "H03AA05"}
WORDS = {
    LT4: ("levothyroxine", "Levothyroxine Sodium", "L-thyroxine", "levothyroxine sodium"),
    LT3: ("liothyronine", "Liothyronine Sodium", "liothyronine sodium"),
    D60: ("thyroid (USP)", "desiccated thyroid", "Thyroid", "porcine thyroid"),
    D65: ("thyroid (USP)", "desiccated thyroid", "Thyroid", "porcine thyroid"),
    FIXED: ("liothyronine", "liothyronine sodium"),
}


def plain(value: Fraction) -> str:
    """A decimal with no digit too many."""
    return f"{float(value):.10f}".rstrip("0").rstrip(".")


def number(value: Fraction) -> int | float:
    """A JSON number; all of these have few digits, which a float writes as they are."""
    return value.numerator if value.denominator == 1 else float(value)


# --- products ---------------------------------------------------------------------------------


def tablet_name(medicine: str, strength: Fraction, chance: Chance) -> str:
    """A product's name with its strength."""
    name = chance.choice(WORDS[medicine])
    if medicine == FIXED:
        return f"levothyroxine {plain(strength)} mcg / {name} {plain(strength / 4)} mcg tablet"
    if medicine in GRAIN_MG:
        return f"{name} {plain(strength)} {chance.choice(('mg', 'MG'))} {chance.choice(TABLETS)}"
    if medicine == LT4 and chance.random() < 0.3:
        return f"{name} {plain(strength / 1000)} MG {chance.choice(TABLETS)}"
    return f"{name} {plain(strength)} {chance.choice(MICROGRAMS)} {chance.choice(TABLETS)}"


MICROGRAMS = ("mcg", "MCG", "µg", "microgram", "micrograms")
TABLETS = ("tablet", "tablets", "Oral Tablet", "tab")


def tablet_concept(medicine: str, strength: Fraction, chance: Chance) -> Json:
    """A product of one strength: by code, by name, or by both."""
    code = RXNORM_TABLET.get((medicine, strength))
    name = tablet_name(medicine, strength, chance)
    if code is None or chance.random() < 0.3:
        return {"text": name}
    coding: Json = {"system": RXNORM, "code": code}
    if chance.random() < 0.5:
        coding["display"] = name
    return {"coding": [coding]} if chance.random() < 0.6 else {"coding": [coding], "text": name}


def hormone_concept(medicine: str, chance: Chance) -> Json:
    """A hormone without a strength."""
    name = chance.choice(WORDS[medicine][:2])
    pick = chance.random()
    if pick < 0.4:
        return {"coding": [{"system": RXNORM, "code": INGREDIENT[medicine], "display": name}]}
    if pick < 0.6:
        return {"coding": [{"system": ATC, "code": ATC_CODE[medicine]}], "text": name}
    return {"text": name}


# --- when -------------------------------------------------------------------------------------


@dataclass(slots=True)
class When:
    """A schedule: as FHIR has it, in words, and doses a day on average."""

    timing: Json
    words: str
    per_day: Fraction


def repeat(**parts: Any) -> Json:
    """A timing by repetition."""
    return {"repeat": parts}


DAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
ONCE = [
    When(repeat(frequency=1, period=1, periodUnit="d"), "daily", Fraction(1)),
    When(repeat(frequency=1, period=1, periodUnit="d"), "once daily", Fraction(1)),
    When(repeat(frequency=1, period=24, periodUnit="h"), "every morning", Fraction(1)),
    When(repeat(period=1, periodUnit="d"), "qd", Fraction(1)),
    When(repeat(frequency=7, period=1, periodUnit="wk"), "every day", Fraction(1)),
    When(repeat(when=["MORN"]), "in the morning", Fraction(1)),
    When(repeat(timeOfDay=["07:00:00"]), "daily before breakfast", Fraction(1)),
    When({"code": {"coding": [{"system": TIMINGS, "code": "QD"}]}}, "qam", Fraction(1)),
    When({"code": {"text": "once daily"}}, "once a day", Fraction(1)),
    When(repeat(frequency=1, period=1, periodUnit="d", when=["HS"]), "at bedtime", Fraction(1)),
    When(repeat(dayOfWeek=DAYS), "every day", Fraction(1)),
]
TWICE = [
    When(repeat(frequency=2, period=1, periodUnit="d"), "twice daily", Fraction(2)),
    When(repeat(frequency=1, period=12, periodUnit="h"), "every 12 hours", Fraction(2)),
    When({"code": {"coding": [{"system": TIMINGS, "code": "BID"}]}}, "bid", Fraction(2)),
    When(repeat(when=["MORN", "EVE"]), "twice a day", Fraction(2)),
]
SELDOM = [
    When(repeat(frequency=1, period=2, periodUnit="d"), "every other day", Fraction(1, 2)),
    When({"code": {"coding": [{"system": TIMINGS, "code": "QOD"}]}}, "qod", Fraction(1, 2)),
    When(repeat(frequency=6, period=1, periodUnit="wk"), "6 times a week", Fraction(6, 7)),
    When(repeat(dayOfWeek=DAYS[:5]), "on weekdays", Fraction(5, 7)),
    When(repeat(dayOfWeek=DAYS[:6]), "mon-sat", Fraction(6, 7)),
    When(
        repeat(frequency=1, period=1, periodUnit="d", dayOfWeek=["mon", "wed", "fri", "sun"]),
        "mon, wed, fri, sun",
        Fraction(4, 7),
    ),
]

# --- how much ---------------------------------------------------------------------------------


def tablets(count: Fraction, chance: Chance) -> Json:
    """So many tablets."""
    coded = chance.choice(
        (
            {"unit": "tablet", "system": UCUM, "code": "{tbl}"},
            {"system": UCUM, "code": "1", "unit": "tablet"},
            {"system": FORMS, "code": "TAB"},
            {"unit": "tab"},
        )
    )
    return {"value": number(count), **coded}


def mass(medicine: str, amount: Fraction, chance: Chance) -> Json:
    """So many units of the product's label."""
    if UNIT[medicine] == "mg":
        return {"value": number(amount), "unit": "mg", "system": UCUM, "code": "mg"}
    if chance.random() < 0.2:
        return {"value": number(amount / 1000), "unit": "mg", "system": UCUM, "code": "mg"}
    coded = chance.choice(
        (
            {"unit": "ug", "system": UCUM, "code": "ug"},
            {"unit": "mcg", "system": UCUM, "code": "ug"},
            {"system": UCUM, "code": "ug"},
            {"unit": "µg"},
            {"unit": "micrograms"},
        )
    )
    return {"value": number(amount), **coded}


COUNT_WORDS = {
    Fraction(1): ("1 tablet", "one tablet", "1 tab"),
    Fraction(1, 2): ("1/2 tablet", "half a tablet", "½ tablet", "0.5 tab"),
    Fraction(3, 2): ("1 1/2 tablets", "one and a half tablets", "1.5 tabs"),
    Fraction(2): ("2 tablets", "two tablets", "2 tabs"),
}
OPENINGS = ("", "Take ", "take ")
ENDINGS = ("", " by mouth", " on an empty stomach", " with water", ".")


def sig(amount_words: str, when: When, chance: Chance) -> str:
    """An instruction in words."""
    return f"{chance.choice(OPENINGS)}{amount_words} {when.words}{chance.choice(ENDINGS)}"


def mass_words(medicine: str, amount: Fraction) -> str:
    """An amount in words."""
    return f"{plain(amount)} {'mg' if UNIT[medicine] == 'mg' else 'mcg'}"


def strength_for(
    medicine: str, amount: Fraction, chance: Chance
) -> tuple[Fraction, Fraction] | None:
    """A marketed strength and a count that make an amount, where there is one."""
    made = [
        (strength, amount / strength)
        for strength in STRENGTHS[medicine]
        if amount / strength in COUNT_WORDS
    ]
    return chance.choice(made) if made else None
