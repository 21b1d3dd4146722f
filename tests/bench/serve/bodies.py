"""Request bodies for ``$propose-switch``: invented patients, no two alike, the same every time.

A body is a `Parameters` with a record of exactly as many resources as asked for. Ten to thirteen of
them matter to the plan; the rest is what an EHR sends besides, in the same mix at every size, so
that sizes can be compared.
"""

import json
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from random import Random
from typing import Any

from .medicines import order, order_of_another
from .shapes import SERIAL, Chart, quantity
from .switches import LT4, Switch, Taken, a_rare_switch, a_switch

SEED = 20250303
BODIES = {25: 600, 250: 120, 2500: 24}
"""How many distinct bodies stand for each size; as files of a like length."""
TODAY = date(2025, 3, 3)
_WISHES = {
    "pace": ("standard", "cautious", "brisk"),
    "basis": ("practice", "label", "trial", "content"),
    "prior-therapy": ("overlap", "stop"),
}

# Codes of the rest are from memory; the service passes them over or looks at them and finds nothing
# that concerns it.
_OTHER_RESULTS = (
    ("2345-7", "Glucose", "mg/dL", 95, (70, 99)),
    ("2160-0", "Creatinine", "mg/dL", 0.9, (0.6, 1.2)),
    ("718-7", "Hemoglobin", "g/dL", 14, (12, 16)),
    ("2951-2", "Sodium", "mmol/L", 140, (135, 145)),
    ("2823-3", "Potassium", "mmol/L", 4.2, (3.5, 5.1)),
    ("4548-4", "Hemoglobin A1c", "%", 5.4, (4.0, 5.6)),
)
_OTHER_CONDITIONS = (
    ("38341003", "Hypertension"),
    ("195967001", "Asthma"),
    ("55822004", "Hyperlipidaemia"),
    ("396275006", "Osteoarthritis"),
    ("37796009", "Migraine"),
)
_OTHER_MEDICINES = (
    ("314076", "lisinopril 10 MG Oral Tablet"),
    ("617310", "atorvastatin 20 MG Oral Tablet"),
    ("860975", "metformin hydrochloride 500 MG Extended Release Oral Tablet"),
    ("197361", "amlodipine 5 MG Oral Tablet"),
    ("198405", "ibuprofen 100 MG Oral Tablet"),
)
_ATRIAL_FIBRILLATION = ("49436004", "Atrial fibrillation")


def bodies(size: int, count: int, *, rare: bool = False) -> list[bytes]:
    """So many distinct bodies of so many resources each; see `body`."""
    return [body(size, number, rare=rare) for number in range(count)]


def body(size: int, number: int, *, rare: bool = False, seed: int = SEED) -> bytes:
    """One body, compact, in one line.

    Orders are written today, most for today, on the doses that a clinic meets; or, where `rare`,
    on any day of a year, on doses, at a pace and by a chart that hardly come twice.
    """
    rng = Random(f"{seed}/{size}/{number}/{rare}")
    as_of = TODAY + timedelta(days=rng.randrange(365)) if rare else TODAY
    switch = a_rare_switch(rng) if rare else a_switch(rng)
    chart = Chart(as_of)
    _what_matters(chart, switch, number, rng)
    fillers = list(_FILLERS)
    while len(chart.entries) < size:
        rng.choices(fillers, list(_FILLERS.values()))[0](chart, rng)
    parameters = [
        {"name": "target", "valueCode": switch.target},
        {"name": "as-of", "valueDate": as_of.isoformat()},
        *(_any_wishes(rng) if rare else _few_wishes(as_of, rng)),
        {"name": "record", "resource": _bundle(chart, number)},
    ]
    whole = {"resourceType": "Parameters", "parameter": parameters}
    return json.dumps(whole, separators=(",", ":")).encode()


def with_serial(sent: bytes, serial: int) -> bytes:
    """The same body of another patient: every id and reference is new."""
    return sent.replace(SERIAL.encode(), f"{serial:08}".encode())


def _bundle(chart: Chart, number: int) -> dict[str, Any]:
    return {
        "resourceType": "Bundle",
        "id": f"record-{SERIAL}-{number}",
        "type": "collection",
        "timestamp": f"{chart.as_of}T09:00:00Z",
        "entry": chart.entries,
    }


def _few_wishes(as_of: date, rng: Random) -> Iterator[dict[str, str]]:
    """One caller in four names a later start, one in five another wish than the defaults."""
    if rng.random() < 0.25:
        later = as_of + timedelta(days=rng.randint(1, 14))
        yield {"name": "start", "valueDate": later.isoformat()}
    if rng.random() < 0.2:
        name = rng.choice(list(_WISHES))
        yield {"name": name, "valueCode": rng.choice(_WISHES[name][1:])}


def _any_wishes(rng: Random) -> Iterator[dict[str, str]]:
    for name, codes in _WISHES.items():
        yield {"name": name, "valueCode": rng.choice(codes)}


def _what_matters(chart: Chart, switch: Switch, number: int, rng: Random) -> None:
    """The patient, what is taken, its history, the results that the plan and the rules look at."""
    # One in ten is over 65 or has atrial fibrillation: slower plans with holds.
    age = rng.randint(66, 84) if rng.random() < 0.06 else rng.randint(24, 64)
    sex = "male" if rng.random() < 0.2 else "female"
    born = chart.as_of - timedelta(days=round(age * 365.25) + rng.randrange(300))
    chart.person(number, sex, born)
    chart.has("40930008", "Hypothyroidism", since=rng.randint(900, 6000))
    if rng.random() < 0.04:
        chart.has(*_ATRIAL_FIBRILLATION, since=rng.randint(200, 2000))
    since = rng.randint(120, 800)
    as_tablets = rng.random() < 0.5
    for taken in switch.taken:
        order(chart, taken, since, as_tablets=as_tablets)
    if rng.random() < 0.4:
        order(chart, Taken(LT4, 50), since + 300, as_tablets=True, ended=since + 1)
    for make in (_tsh, _free_t4, _heart_rate, _weight):
        make(chart, rng, rng.randint(3, 60))
    if sex == "female":
        chart.not_pregnant(ago=rng.randint(3, 60))
    chart.no_allergies()


def _tsh(chart: Chart, rng: Random, ago: int) -> None:
    value = quantity(round(rng.uniform(0.6, 3.8), 2), "mIU/L", "m[IU]/L")
    chart.measured("3016-3", "Thyrotropin in Serum or Plasma", value, ago, (0.4, 4.0))


def _free_t4(chart: Chart, rng: Random, ago: int) -> None:
    value = quantity(round(rng.uniform(0.8, 1.6), 2), "ng/dL", "ng/dL")
    chart.measured("3024-7", "Thyroxine (T4) free in Serum or Plasma", value, ago, (0.8, 1.8))


def _heart_rate(chart: Chart, rng: Random, ago: int) -> None:
    chart.measured("8867-4", "Heart rate", quantity(rng.randint(56, 92), "/min", "/min"), ago)


def _weight(chart: Chart, rng: Random, ago: int) -> None:
    value = quantity(round(rng.uniform(48, 118), 1), "kg", "kg")
    chart.measured("29463-7", "Body weight", value, ago)


def _other_result(chart: Chart, rng: Random) -> None:
    code, words, unit, middle, limits = rng.choice(_OTHER_RESULTS)
    value = quantity(round(middle * rng.uniform(0.85, 1.15), 1), unit, unit)
    chart.measured(code, words, value, _long_ago(rng), limits)


def _earlier_result(chart: Chart, rng: Random) -> None:
    rng.choice((_tsh, _tsh, _free_t4, _heart_rate, _weight))(chart, rng, _long_ago(rng))


def _other_condition(chart: Chart, rng: Random) -> None:
    code, words = rng.choice(_OTHER_CONDITIONS)
    chart.has(code, words, _long_ago(rng), over=rng.random() < 0.5)


def _other_medicine(chart: Chart, rng: Random) -> None:
    code, words = rng.choice(_OTHER_MEDICINES)
    since = _long_ago(rng)
    ended = since - 30 if rng.random() < 0.7 else None
    order_of_another(chart, code, words, since, ended)


def _pressure(chart: Chart, rng: Random) -> None:
    chart.pressure(rng.randint(104, 148), _long_ago(rng))


def _visit(chart: Chart, rng: Random) -> None:
    chart.visit(_long_ago(rng))


def _rest(chart: Chart, rng: Random) -> None:
    kind = rng.choice(("Immunization", "Procedure", "DiagnosticReport", "DiagnosticReport"))
    chart.other(kind, _long_ago(rng))


def _long_ago(rng: Random) -> int:
    return rng.randint(61, 3600)


_FILLERS: dict[Callable[[Chart, Random], None], int] = {
    _other_result: 36,
    _pressure: 10,
    _earlier_result: 8,
    _visit: 16,
    _other_condition: 8,
    _other_medicine: 8,
    _rest: 14,
}
"""Shares of our own making: of a long record most is results and visits."""
