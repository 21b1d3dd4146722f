"""Large and hostile records end in bounded time: no step grows faster than the record."""

import time

import pytest
from tests.unit.read.records import (
    LT4,
    Json,
    bundle,
    condition,
    dosage,
    observation,
    read_bundle,
    request,
    statement,
    ucum,
)

MANY = 2000


def seconds(content: Json) -> float:
    """Of the processor, so that a busy machine makes no difference."""
    start = time.process_time()
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
