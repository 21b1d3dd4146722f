"""Large and hostile records end in bounded time: no step grows faster than the record."""

import time
from contextlib import suppress

import pytest
from tests.unit.read.records import (
    LT4,
    TABLET,
    Json,
    asked,
    bundle,
    condition,
    dosage,
    observation,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.fhir.read.budget import (
    MOST_CHARACTERS_OF_A_NAME,
    MOST_CHARACTERS_OF_NAMES,
    MOST_DRAFTS,
    MOST_HORMONES,
)
from crossgrain.fhir.read.errors import Category, Unreadable

MANY = 1900


def seconds(content: Json) -> float:
    """Of the processor, so that a busy machine makes no difference."""
    start = time.process_time()
    with suppress(Unreadable):  # as too costly
        read_bundle(content)
    return time.process_time() - start


CROWDS = {
    "levothyroxines that are all taken": [
        statement(LT4, dosage(ucum(100, "ug")), id=f"s{n}") for n in range(MANY)
    ],
    "levothyroxines of the past": [
        *(
            request(LT4, dosage(ucum(100, "ug")), id=f"r{n}", status="completed")
            for n in range(MANY)
        ),
        request(LT4, dosage(ucum(100, "ug")), id="now"),
    ],
    "orders that replace each other": [
        request(
            LT4,
            dosage(ucum(100, "ug")),
            id=f"r{n}",
            priorPrescription={"reference": f"MedicationRequest/r{n - 1}"},
        )
        for n in range(MANY)
    ],
    "results": [observation("3016-3", ucum(2, "m[IU]/L"), id=f"o{n}") for n in range(MANY)],
    "conditions": [condition("49436004", id=f"c{n}") for n in range(MANY)],
    "dosages of one statement": [
        statement(LT4, *(dosage(ucum(100 + n % 50, "ug")) for n in range(MANY)))
    ],
}


@pytest.mark.parametrize("resources", CROWDS.values(), ids=CROWDS.keys())
def test_a_crowd_is_read_in_proportion_to_its_size(resources: list[Json]) -> None:
    assert seconds(bundle(*resources)) < 3


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


@pytest.mark.parametrize("resource", LONG.values(), ids=LONG.keys())
def test_a_very_long_text_is_read_or_asked_about_in_time(resource: Json) -> None:
    assert seconds(bundle(resource)) < 1


def other(number: int, length: int) -> Json:
    """A medicine of no concern, by a name of its own of so many characters."""
    return statement({"text": f"{number:06} ".ljust(length, "x")}, TABLET, id=f"s{number}")


def drafts(count: int) -> list[Json]:
    return [request(LT4, dosage(ucum(100, "ug")), id=f"r{n}", status="draft") for n in range(count)]


def past(count: int) -> list[Json]:
    made = request(LT4, dosage(ucum(100, "ug")), status="stopped")
    return [{**made, "id": f"r{n}"} for n in range(count)]


IN_BUDGET: dict[str, list[Json]] = {
    "a name": [other(1, MOST_CHARACTERS_OF_A_NAME)],
    "names": [other(n, 100) for n in range(MOST_CHARACTERS_OF_NAMES // 100)],
    "one name, very often": [{**other(1, 100), "id": f"s{n}"} for n in range(3000)],
    "drafts": drafts(MOST_DRAFTS),
    "thyroid medicines": past(MOST_HORMONES),
}
OVER_BUDGET: dict[str, list[Json]] = {
    "a name": [other(1, MOST_CHARACTERS_OF_A_NAME + 1)],
    "names": [other(n, 100) for n in range(MOST_CHARACTERS_OF_NAMES // 100 + 1)],
    "drafts": drafts(MOST_DRAFTS + 1),
    "thyroid medicines": past(MOST_HORMONES + 1),
}


@pytest.mark.parametrize("resources", IN_BUDGET.values(), ids=IN_BUDGET.keys())
def test_what_lies_within_the_budget_is_read(resources: list[Json]) -> None:
    assert asked(read_bundle(bundle(*resources))) == []


@pytest.mark.parametrize("resources", OVER_BUDGET.values(), ids=OVER_BUDGET.keys())
def test_what_lies_above_the_budget_is_refused_as_too_costly(resources: list[Json]) -> None:
    with pytest.raises(Unreadable) as refused:
        read_bundle(bundle(*resources))
    assert refused.value.category is Category.TOO_COSTLY


def test_a_medication_is_looked_into_once_however_often_it_is_referred_to() -> None:
    ingredients = [{"itemCodeableConcept": {"text": f"part {n}"}} for n in range(900)]
    shared = {"resourceType": "Medication", "id": "m", "ingredient": ingredients}
    taken = {k: v for k, v in statement(LT4).items() if k != "medicationCodeableConcept"}
    taken["medicationReference"] = {"reference": "Medication/m"}
    once = bundle(shared, *({**taken, "id": f"s{n}"} for n in range(1)))
    often = bundle(shared, *({**taken, "id": f"s{n}"} for n in range(400)))
    assert seconds(often) < 10 * seconds(once) + 0.5
