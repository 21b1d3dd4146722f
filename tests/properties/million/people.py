"""Records by number: which medicines, which wish, and what is wrong with them."""

import random
from datetime import date, timedelta

from tests.properties.million.charted import conditions, others, patient, results
from tests.properties.million.dosages import Chance
from tests.properties.million.medicines import Taken, plausible, taken
from tests.properties.million.reference import CHARTS, D60, D65, FIXED, LT3, LT4, Wish
from tests.properties.million.truth import Person
from tests.properties.million.unreadable import REFUSED, UNREADABLE

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
        patient(made, chance),
        *(r for one in own for r in (one.resource, *one.others)),
        *conditions(made, chance),
        *results(made, chance),
        *others(made, chance),
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
