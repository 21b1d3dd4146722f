"""Request bodies for ``$propose-switch``: invented patients, no two alike, the same every time.

A body is a `Parameters` with a record of exactly as many resources as asked for. It is put
together from a head, which holds all that the plan rests on, and a tail of what an EHR sends
besides. Patients have the same head at every size, so that only the rest of the record grows.
"""

import json
from collections.abc import Iterator
from datetime import date, timedelta
from random import Random
from typing import Any

from .besides import add_besides
from .medicines import order
from .results import free_t4, heart_rate, tsh, weight
from .shapes import SERIAL, Chart
from .switches import LT4, Switch, Taken, a_rare_switch, a_switch

SEED = 20250303
PATIENTS = 6000
"""More than a server answers in a round, so that nobody comes twice in a first pass."""
TAILS = {25: 600, 250: 60, 2500: 12}
"""How many distinct tails stand for each size; patients share them in turn where they are fewer."""
TODAY = date(2025, 3, 3)
_IN_HEAD = 13
_ATRIAL_FIBRILLATION = ("49436004", "Atrial fibrillation")
_WISHES = {
    "pace": ("standard", "cautious", "brisk"),
    "basis": ("practice", "label", "trial", "content"),
    "prior-therapy": ("overlap", "stop"),
}


def body(size: int, number: int, *, rare: bool = False, seed: int = SEED) -> bytes:
    """The body of one patient, compact, in one line."""
    return head(number, rare=rare, seed=seed) + tail(size, number % TAILS[size], seed=seed)


def head(number: int, *, rare: bool = False, seed: int = SEED) -> bytes:
    """The beginning of a body, with the options and the first resources of the record.

    Orders are written today, most for today, on the doses that a clinic meets; or, where `rare`,
    on any day of a year, on doses, at a pace and by a chart that hardly come twice.
    """
    rng = Random(f"{seed}/{number}/{rare}")
    as_of = TODAY + timedelta(days=rng.randrange(365)) if rare else TODAY
    switch = a_rare_switch(rng) if rare else a_switch(rng)
    chart = Chart(as_of)
    _what_matters(chart, switch, number, rng)
    add_besides(chart, _IN_HEAD - len(chart.entries), rng)
    parameters = [
        {"name": "target", "valueCode": switch.target},
        {"name": "as-of", "valueDate": as_of.isoformat()},
        *(_any_wishes(rng) if rare else _few_wishes(as_of, rng)),
        {"name": "record", "resource": _bundle(chart, number)},
    ]
    whole = {"resourceType": "Parameters", "parameter": parameters}
    return _compact(whole).removesuffix(b"]}}]}")


def tail(size: int, number: int, *, seed: int = SEED) -> bytes:
    """The rest of a body of so many resources."""
    chart = Chart(TODAY, first=_IN_HEAD)
    add_besides(chart, size - _IN_HEAD, Random(f"{seed}/{size}/{number}"))
    return b"," + _compact(chart.entries)[1:] + b"}}]}"


def with_serial(sent: bytes, serial: int) -> bytes:
    """The same body of another patient: every id and reference is new."""
    return sent.replace(SERIAL.encode(), f"{serial:08}".encode())


def _compact(tree: Any) -> bytes:
    return json.dumps(tree, separators=(",", ":")).encode()


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
    for make in (tsh, free_t4, heart_rate, weight):
        make(chart, rng, rng.randint(3, 60))
    if sex == "female":
        chart.not_pregnant(ago=rng.randint(3, 60))
    chart.no_allergies()
