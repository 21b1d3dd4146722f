"""Large and hostile records end in bounded time: no step grows faster than the record."""

import json
import time
from collections.abc import Callable
from contextlib import suppress

import pytest
from tests.steps import steps
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    LOINC,
    LT4,
    PREPARATIONS,
    TABLET,
    Json,
    asked,
    bundle,
    condition,
    dosage,
    encoded,
    observation,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.door import Look
from crossgrain.reading.elements import Asks, ReadCategory, Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.posing import MOST_CHARACTERS_READ, MOST_MEDICINES_READ, posed_in
from crossgrain.reading.reader import read_record
from crossgrain.reading.resolve import (
    MOST_CHARACTERS_OF_A_NAME,
    MOST_CHARACTERS_OF_AN_ADDRESS,
    MOST_CHARACTERS_OF_NAMES,
    MOST_CHARACTERS_OF_SAYINGS,
    MOST_DRAFTS,
    MOST_HORMONES,
    MOST_PARTS,
    MOST_RESOURCES,
    MOST_SAYINGS,
    MOST_TIMES,
)

MANY = 400


def read_or_refused(content: Json) -> None:
    """A record read, or refused as too costly."""
    with suppress(Unreadable):
        read_bundle(content)


def work_of(content: Json) -> int:
    """The steps of reading a record whose words have been met before."""
    read_or_refused(content)
    return steps(lambda: read_or_refused(content))


def superseding(count: int) -> list[Json]:
    """Orders each of which replaces the one before."""
    orders = []
    for n in range(count):
        before = {"reference": f"MedicationRequest/r{n - 1}"}
        orders.append(request(LT4, dosage(ucum(100, "ug")), id=f"r{n}", priorPrescription=before))
    return orders


CROWDS: dict[str, Callable[[int], list[Json]]] = {
    "levothyroxines that are all taken": lambda count: [
        statement(LT4, dosage(ucum(100, "ug")), id=f"s{n}") for n in range(count)
    ],
    "levothyroxines of the past": lambda count: [
        *past(count),
        request(LT4, dosage(ucum(100, "ug")), id="now"),
    ],
    "orders that replace each other": superseding,
    "results": lambda count: [
        observation("3016-3", ucum(2, "m[IU]/L"), id=f"o{n}") for n in range(count)
    ],
    "conditions": lambda count: [condition("49436004", id=f"c{n}") for n in range(count)],
    "dosages of one statement": lambda count: [
        statement(LT4, *(dosage(ucum(100 + n % 50, "ug")) for n in range(count)))
    ],
}


@pytest.mark.parametrize("crowd", CROWDS)
def test_a_crowd_is_read_in_proportion_to_its_size(crowd: str) -> None:
    half, whole = (work_of(bundle(*CROWDS[crowd](count))) for count in (MANY // 2, MANY))
    assert whole < 2.1 * half


LONG = {
    "a name": statement({"text": "levothyroxine " * 50_000}, dosage(ucum(100, "ug"))),
    "a name of numbers": statement({"text": "thyroid 1/1/1/1 " * 50_000}, dosage(ucum(1, "{tbl}"))),
    "a name of one number": statement(
        {"text": f"levothyroxine {'9' * 5000} mcg"}, dosage(ucum(1, "{tbl}"))
    ),
    "a sig": statement(LT4, {"text": "1 tab daily " * 50_000}),
    "a unit": statement(LT4, dosage(ucum(100, "u" * 500_000))),
    "a unit of very many digits": statement(LT4, dosage(ucum(100, "10*99999999.g"))),
    "a unit of a result": observation("3016-3", {"value": 1, "unit": "u" * 500_000}),
    "a condition": {**condition(), "code": {"text": "heart " * 50_000}},
}


@pytest.mark.slow  # a regular expression has no steps that can be counted: it takes time
@pytest.mark.parametrize("resource", LONG.values(), ids=LONG.keys())
def test_a_very_long_text_is_read_or_asked_about_in_time(resource: Json) -> None:
    start = time.process_time()
    read_or_refused(bundle(resource))
    assert time.process_time() - start < 1


def other(number: int, length: int) -> Json:
    """A medicine of no concern, by a name of its own of so many characters."""
    return statement({"text": f"{number:06} ".ljust(length, "x")}, TABLET, id=f"s{number}")


def drafts(count: int) -> list[Json]:
    return [request(LT4, dosage(ucum(100, "ug")), id=f"r{n}", status="draft") for n in range(count)]


def past(count: int) -> list[Json]:
    made = request(LT4, dosage(ucum(100, "ug")), status="stopped")
    return [{**made, "id": f"r{n}"} for n in range(count)]


def told(instructions: int, notes: int = 0, dosages: int = 1) -> Json:
    """A levothyroxine of so many instructions in each dosage, and so many notes beside them all."""
    one = dosage(ucum(100, "ug"), additionalInstruction=[{"text": "once a day"}] * instructions)
    told = [one, *(dosage(ucum(n, "ug")) for n in range(1, dosages))]
    return statement(LT4, *told, note=[{"text": "Take with water."}] * notes)


def noted(characters: int, own_id: str = "n") -> Json:
    """A levothyroxine with a note of so many characters that says nothing of its taking."""
    note = [{"text": "seen. " * (characters // 6) + "x" * (characters % 6)}]
    return statement(LT4, dosage(ucum(100, "ug")), id=own_id, note=note)


def identified(characters: int) -> Json:
    return statement(LT4, dosage(ucum(100, "ug")), id="i" * characters)


def timed(count: int) -> Json:
    """A levothyroxine at one and the same minute, written so often."""
    repeat = {"frequency": 1, "period": 1, "periodUnit": "d", "timeOfDay": ["07:00:00"] * count}
    return statement(LT4, dosage(ucum(100, "ug"), {"repeat": repeat}))


def parted(count: int) -> Json:
    tsh = {"code": {"coding": [{"system": LOINC, "code": "3016-3"}]}}
    return observation("24348-5", component=[tsh] * count)


def rendered(text: int, instruction: int) -> Json:
    """An instruction of R5 as rendered, beside the text of its dosage; both of no words."""
    return statement(
        LT4, dosage(ucum(100, "ug"), text="." * text), renderedDosageInstruction="." * instruction
    )


IN_BUDGET: dict[str, list[Json]] = {
    "a name": [other(1, MOST_CHARACTERS_OF_A_NAME)],
    "names": [other(n, 100) for n in range(MOST_CHARACTERS_OF_NAMES // 100)],
    "one name, very often": [{**other(1, 100), "id": f"s{n}"} for n in range(3000)],
    "drafts": drafts(MOST_DRAFTS),
    "thyroid medicines": past(MOST_HORMONES),
    "instructions": [told(MOST_SAYINGS - 1)],
    "instructions and a note": [told(MOST_SAYINGS - 2, 1)],
    "words": [noted(MOST_CHARACTERS_OF_SAYINGS)],
    "resources": [{"resourceType": "Device"}] * (MOST_RESOURCES - 1),
    "an id": [identified(MOST_CHARACTERS_OF_AN_ADDRESS)],
    "times of day": [timed(MOST_TIMES)],
    "components": [parted(MOST_PARTS)],
}
OVER_BUDGET: dict[str, list[Json]] = {
    "a name": [other(1, MOST_CHARACTERS_OF_A_NAME + 1)],
    "names": [other(n, 100) for n in range(MOST_CHARACTERS_OF_NAMES // 100 + 1)],
    "drafts": drafts(MOST_DRAFTS + 1),
    "thyroid medicines": past(MOST_HORMONES + 1),
    "instructions": [told(MOST_SAYINGS)],
    "instructions and a note": [told(MOST_SAYINGS - 1, 1)],
    "words": [noted(MOST_CHARACTERS_OF_SAYINGS + 1)],
    "resources": [{"resourceType": "Device"}] * MOST_RESOURCES,
    "words of two": [noted(MOST_CHARACTERS_OF_SAYINGS - 9, "x"), noted(10, "y")],
    "words of a dosage": [noted(MOST_CHARACTERS_OF_SAYINGS - 9, "x"), told(1)],
    "an id": [identified(MOST_CHARACTERS_OF_AN_ADDRESS + 1)],
    "notes beside several dosages": [told(0, MOST_SAYINGS // 3, 3)],
    "times of day": [timed(MOST_TIMES + 1)],
    "components": [parted(MOST_PARTS + 1)],
    "a text beside the instruction as rendered": [
        rendered(MOST_CHARACTERS_OF_SAYINGS // 2, MOST_CHARACTERS_OF_SAYINGS // 2 + 1)
    ],
}


@pytest.mark.parametrize("resources", IN_BUDGET.values(), ids=IN_BUDGET.keys())
def test_what_lies_within_the_budget_is_read(resources: list[Json]) -> None:
    assert asked(read_bundle(bundle(*resources))) == []


TOO_MANY_SAYINGS = (
    "entry[1].resource.dosage",
    f"more than {MOST_SAYINGS} dosages, instructions and notes say how thyroid medicines are taken",
)
TOO_MANY_CHARACTERS = (
    "the instructions and notes of thyroid medicines have more than"
    f" {MOST_CHARACTERS_OF_SAYINGS} characters"
)
REFUSED = {
    "times of day": (
        "entry[1].resource",
        f"its dosages name more than {MOST_TIMES} times of day",
    ),
    "components": (
        "entry[1].resource.component",
        f"it has more than {MOST_PARTS} components",
    ),
    "a text beside the instruction as rendered": ("entry[1].resource", TOO_MANY_CHARACTERS),
    "a name": (
        "entry[1].resource.medication",
        f"a medicine's name has more than {MOST_CHARACTERS_OF_A_NAME} characters",
    ),
    "names": (
        "entry[2001].resource.medication",
        f"the names of medicines have more than {MOST_CHARACTERS_OF_NAMES} characters",
    ),
    "drafts": ("", f"more than {MOST_DRAFTS} thyroid hormone orders are drafts"),
    "thyroid medicines": (
        "entry[2001].resource",
        f"the record holds more than {MOST_HORMONES} thyroid medicines",
    ),
    "instructions": TOO_MANY_SAYINGS,
    "instructions and a note": TOO_MANY_SAYINGS,
    "words": ("entry[1].resource", TOO_MANY_CHARACTERS),
    "resources": ("", f"the record holds more than {MOST_RESOURCES} resources"),
    "words of two": ("entry[2].resource", TOO_MANY_CHARACTERS),
    "words of a dosage": ("entry[2].resource.dosage", TOO_MANY_CHARACTERS),
    "an id": (
        "entry[1].resource.id",
        f"this has more than {MOST_CHARACTERS_OF_AN_ADDRESS} characters",
    ),
    "notes beside several dosages": TOO_MANY_SAYINGS,
}


@pytest.mark.parametrize("what", OVER_BUDGET)
def test_what_lies_above_the_budget_is_refused_as_too_costly(
    what: str,
) -> None:
    """Whoever sends it learns what to leave out, without a value of the record in the answer."""
    with pytest.raises(Unreadable) as refused:
        read_bundle(bundle(*OVER_BUDGET[what]))
    assert refused.value.category is ReadCategory.TOO_COSTLY
    place, why = REFUSED[what]
    assert refused.value.expression == ".".join(filter(None, ("Bundle", place)))
    assert str(refused.value) == why


def test_a_medication_is_looked_into_once_however_often_it_is_referred_to() -> None:
    ingredients = [{"itemCodeableConcept": {"text": f"part {n}"}} for n in range(900)]
    shared = {"resourceType": "Medication", "id": "m", "ingredient": ingredients}
    taken = {k: v for k, v in statement(LT4).items() if k != "medicationCodeableConcept"}
    taken["medicationReference"] = {"reference": "Medication/m"}
    once = bundle(shared, *({**taken, "id": f"s{n}"} for n in range(1)))
    often = bundle(shared, *({**taken, "id": f"s{n}"} for n in range(400)))
    first = work_of(once)
    assert (work_of(often) - first) / 399 < first / 50  # measured: a hundredth


def test_a_condition_is_looked_into_once_however_often_it_is_a_reason() -> None:
    codings = [{"system": "s", "code": str(n)} for n in range(1000)]
    reason = {**condition("1"), "id": "c", "code": {"coding": codings}}
    refers = [{"reference": "Condition/c"}]
    once, often = (
        bundle(request(LT4, dosage(ucum(100, "ug")), reasonReference=refers * count), reason)
        for count in (1, 1000)
    )
    first = work_of(once)
    assert (work_of(often) - first) / 999 < first / 500  # measured: a two-thousandth


def test_what_is_contained_is_found_at_once_however_much_there_is() -> None:
    count = 4000
    inside = [{"resourceType": "Condition", "id": str(n)} for n in range(count)]
    taken = request(LT4, dosage(ucum(100, "ug")), contained=inside)
    last, every = (
        bundle({**taken, "reasonReference": [{"reference": f"#{n}"} for n in numbers]})
        for numbers in ([count - 1] * count, range(count))
    )
    none = work_of(bundle(taken))
    for found in (work_of(last), work_of(every)):
        assert (found - none) / count < 60  # steps of each; measured: 22 and 27


def test_the_first_of_two_contained_of_one_name_is_the_one_referred_to() -> None:
    named = [{"text": "hypothyroidism"}, {"text": "headache"}]
    inside = [{"resourceType": "Condition", "id": "c", "code": code} for code in named]
    taken = request(
        LT4, dosage(ucum(100, "ug")), contained=inside, reasonReference=[{"reference": "#c"}]
    )
    (found,) = read_bundle(bundle(taken)).facts.indications or ()
    assert found.key == "hypothyroidism"


def readings_of(*resources: Json) -> dict[str, bool]:
    """Of each medicine whose dose is asked, whether doses are offered."""
    content = parse(encoded(bundle(*resources)))
    look: Look = {
        "version": FhirVersion.R4,
        "as_of": AS_OF,
        "codes": CODES,
        "preparations": PREPARATIONS,
    }
    form = posed_in(content, read_record(content, **look).questions, **look)
    return {
        posed.entry.reference: bool(posed.readings)
        for posed in form.posed
        if posed.entry and posed.question.asks is Asks.DOSE
    }


def two_ways(own_id: str, words: str = "Take 50 mcg once a day.") -> Json:
    """An order that says 100 micrograms in codes and 50 in words."""
    return request(LT4, dosage(ucum(100, "ug"), text=words), id=own_id)


def test_readings_are_sought_for_as_many_medicines_as_a_person_will_look_through() -> None:
    found = readings_of(*(two_ways(f"r{n}") for n in range(MOST_MEDICINES_READ + 1)))
    assert list(found.values()) == [True] * MOST_MEDICINES_READ + [False]


@pytest.mark.parametrize("over", [0, 1])
def test_readings_are_sought_in_what_is_no_longer_than_a_person_writes(over: int) -> None:
    other = {"note": [{"text": "x"}]}
    own = len(json.dumps(parse(encoded({**two_ways("long"), **other})), default=str))
    other["note"][0]["text"] = "x" * (MOST_CHARACTERS_READ - own + 1 + over)
    assert readings_of({**two_ways("long"), **other}) == {"MedicationRequest/long": not over}
