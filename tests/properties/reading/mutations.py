"""Changes to FHIR that keep it nearly FHIR: of a tree of JSON, by chance, from a seed."""

import copy
import json
import random
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
from tests.conformance.r5_records import as_r5
from tests.unit.reading import test_labs, test_medicines, test_products, test_shapes
from tests.unit.reading.records import bundle

FIXTURES = Path(__file__).parents[3] / "fixtures"
PATIENTS = [
    json.loads(path.read_bytes(), parse_float=Decimal)
    for path in sorted((FIXTURES / "patients").glob("*.json"))
]
SHAPES = [
    bundle(resource)
    for table in (
        test_shapes.READ, test_shapes.ASKED, test_medicines.READ, test_labs.PASSED_OVER,
        test_products.MODIFIED,
    )
    for resource, _ in table.values()
] + [
    bundle(test_products.by_reference("Medication/m1"), product)
    for product, _ in test_products.ASKED.values()
]  # fmt: skip
RECORDS = [*PATIENTS, *map(as_r5, PATIENTS), *SHAPES]

WORDS = (
    "", " ", "levothyroxine", "levothyroxine 100 mcg tablet", "Thyroid 60 mg (1 grain) tablet",
    "liothyronine 5 mcg", "liotrix 50/12.5 mcg", "1 tablet daily", "Take 1/2 tab po qod",
    "100 mcg Mon-Fri and 50 mcg Sat-Sun", "as directed", "75mcg daily daily", "ug", "mg", "mcg",
    "{tbl}", "[gr]", "mL", "10*-3.g", "Mg", "1", "http://unitsofmeasure.org",
    "http://www.nlm.nih.gov/research/umls/rxnorm", "http://snomed.info/sct", "http://loinc.org",
    "966222", "892246", "313391", "10582", "22298006", "3016-3", "82810-3", "active", "draft",
    "completed", "stopped", "on-hold", "recorded", "entered-in-error", "unknown", "order", "plan",
    "proposal", "option", "final", "d", "wk", "h", "mo", "mon", "MORN", "HS", "QD", "BID", "<", ">",
    "2025-03-03", "2025", "2025-02-30", "0001-01-01", "9999-12-31", "2025-03-03T08:30:00+14:00",
    "Patient/p01", "#m1", "urn:uuid:x", "Medication/m1", "٣", "½", "\u2028", "9" * 41, "R" * 400,
)  # fmt: skip
NUMBERS = (
    0, 1, -1, 2, 7, 60, 100, 300, 1000, 10**18, -(10**18), 10**39, Decimal("0.5"),
    Decimal("0.000000000000000001"), Decimal("12.50"), Decimal("1E+40"), Decimal("-0.0"),
    Decimal("0.1"), Decimal("16.25"),
)  # fmt: skip
NAMES = (
    "resourceType", "id", "status", "intent", "subject", "medicationCodeableConcept", "medication",
    "medicationReference", "concept", "reference", "contained", "dosage", "dosageInstruction",
    "doseAndRate", "doseQuantity", "doseRange", "rateQuantity", "timing", "repeat", "frequency",
    "frequencyMax", "period", "periodUnit", "dayOfWeek", "timeOfDay", "when", "boundsPeriod",
    "boundsDuration", "start", "end", "code", "coding", "system", "display", "text", "value",
    "unit", "comparator", "low", "high", "numerator", "denominator", "strength", "ingredient",
    "itemCodeableConcept", "asNeededBoolean", "modifierExtension", "extension", "implicitRules",
    "effectivePeriod", "effectiveDateTime", "dateAsserted", "authoredOn", "adherence", "basedOn",
    "derivedFrom", "priorPrescription", "groupIdentifier", "reasonCode", "reason", "route",
    "birthDate", "deceasedBoolean", "gender", "clinicalStatus", "verificationStatus",
    "onsetDateTime", "valueQuantity", "valueCodeableConcept", "referenceRange", "component",
    "maxDosePerPeriod", "sequence", "link", "relation", "entry", "resource", "fullUrl",
)  # fmt: skip

Place = tuple[Any, Any]


def places(tree: Any) -> list[Place]:
    """Every container and key (or index) in a tree of JSON."""
    keys = tree.keys() if isinstance(tree, dict) else range(len(tree))
    found = [(tree, key) for key in keys]
    for key in keys:
        if isinstance(tree[key], dict | list):
            found += places(tree[key])
    return found


def anything(chance: random.Random) -> Any:
    """A value that a careless or hostile sender could put anywhere."""
    pick = chance.random()
    if pick < 0.45:
        return chance.choice(WORDS)
    if pick < 0.75:
        return chance.choice(NUMBERS)
    return copy.deepcopy(chance.choice((None, True, False, [], {}, [None], [{}], {"x": []})))


def replace(tree: Any, chance: random.Random) -> None:
    container, key = chance.choice(places(tree))
    container[key] = anything(chance)


def remove(tree: Any, chance: random.Random) -> None:
    container, key = chance.choice(places(tree))
    del container[key]


def rename(tree: Any, chance: random.Random) -> None:
    named = [place for place in places(tree) if isinstance(place[0], dict)]
    container, key = chance.choice(named)
    container[chance.choice(NAMES)] = container.pop(key)


def add(tree: Any, chance: random.Random) -> None:
    objects = [tree, *(c[k] for c, k in places(tree) if isinstance(c[k], dict))]
    chance.choice(objects)[chance.choice(NAMES)] = anything(chance)


def wrap(tree: Any, chance: random.Random) -> None:
    container, key = chance.choice(places(tree))
    value = container[key]
    container[key] = chance.choice(([value], [value, copy.deepcopy(value)], {"value": value}))


def graft(tree: Any, chance: random.Random) -> None:
    """A part of another record, or of this one, put elsewhere."""
    donor = chance.choice(RECORDS)
    source, where = chance.choice(places(donor if chance.random() < 0.5 else tree))
    container, key = chance.choice(places(tree))
    container[key] = copy.deepcopy(source[where])


def swap(tree: Any, chance: random.Random) -> None:
    (one, key), (other, place) = chance.sample(places(tree), 2)
    one[key], other[place] = copy.deepcopy(other[place]), copy.deepcopy(one[key])


def respell(tree: Any, chance: random.Random) -> None:
    """One text with a character dropped, doubled or changed, or with words put behind it."""
    texts = [place for place in places(tree) if isinstance(place[0][place[1]], str)]
    if not texts:
        return
    container, key = chance.choice(texts)
    text = container[key]
    at = chance.randint(0, len(text))
    container[key] = chance.choice(
        (
            text[:at] + text[at + 1 :],
            text[:at] + text[at : at + 1] * 2 + text[at + 1 :],
            text[:at] + chance.choice("0123456789./-½µ ({") + text[at:],
            f"{text} {chance.choice(WORDS)}",
        )
    )


def renumber(tree: Any, chance: random.Random) -> None:
    numbers = [
        place for place in places(tree) if isinstance(place[0][place[1]], int | float | Decimal)
    ]
    if numbers:
        container, key = chance.choice(numbers)
        container[key] = chance.choice(NUMBERS)


CHANGES: tuple[Callable[[Any, random.Random], None], ...] = (
    replace, remove, rename, add, wrap, graft, swap, respell, renumber, respell, renumber,
)  # fmt: skip


def changed(tree: Any, chance: random.Random) -> Any:
    """A copy of a tree with one to four changes."""
    changed_tree = copy.deepcopy(tree)
    for _ in range(chance.choice((1, 1, 1, 2, 2, 3, 4))):
        if not isinstance(changed_tree, dict) or not changed_tree:
            break
        try:
            chance.choice(CHANGES)(changed_tree, chance)
        except (IndexError, ValueError):  # a tree too small for this change
            continue
    return changed_tree


def written(tree: Any) -> bytes:
    """A tree as a sender would write it, decimals as they are."""
    return _ENCODER.encode(tree)


_ENCODER = msgspec.json.Encoder(decimal_format="number")


def mutated(body: bytes, chance: random.Random) -> bytes:
    """A body with a few changes to its tree; one that is no JSON gives way to a seed."""
    try:
        tree = json.loads(body, parse_float=Decimal)
    except (ValueError, RecursionError):
        tree = chance.choice(RECORDS)
    return written(changed(tree, chance))


SEEDS = tuple(written(record) for record in RECORDS)

TOKENS = (
    "take", "give", "1", "2", "100", "1.5", "1/2", "½", "1 1/2", "half", "one and a half", "one",
    "tablet", "tabs", "tab(s)", "capsule", "mcg", "ug", "µg", "mg", "g", "grain", "gr", "mL",
    "daily", "once daily", "twice daily", "bid", "tid", "qd", "qod", "q12h", "q3d", "q8h", "qhs",
    "every other day", "every 3 days", "every 12 hours", "3 times a week", "5 x per week",
    "weekly", "in the morning", "at bedtime", "Mon-Fri", "on Sat and Sun", "weekdays", "weekends",
    "mon, wed, fri", "mondays", "and", ";", "+", "&", ",", ".", "(50 mcg)", "(100 mcg total)",
    "by mouth", "po", "with water", "on an empty stomach", "30 minutes before breakfast",
    "for hypothyroidism", "then", "as needed", "levothyroxine", "thyroid", "liothyronine",
    "50/12.5", "/5 mL", "per day", "0", "00100", "1e3", "٣", "１００", "1,000", "-1", "3-4",
)  # fmt: skip


def respoken(words: str, chance: random.Random) -> str:
    """An instruction with words of its grammar put in, left out, changed or moved."""
    spoken = words.split(" ")
    for _ in range(chance.choice((1, 1, 2, 3))):
        at = chance.randint(0, len(spoken))
        match chance.randint(0, 4):
            case 0 | 1:
                spoken.insert(at, chance.choice(TOKENS))
            case 2:
                spoken[at : at + 1] = [chance.choice(TOKENS)]
            case 3:
                del spoken[at : at + chance.randint(1, 3)]
            case _:
                chance.shuffle(spoken)
    return " ".join(spoken)
