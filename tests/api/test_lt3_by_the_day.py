"""LT3 by the day, as the answer's orders give it: how often, how much at a time, and in words."""

import json
from collections import defaultdict
from collections.abc import Callable
from datetime import date
from fractions import Fraction
from itertools import pairwise
from typing import Any

import httpx2 as httpx
import pytest
from fastapi.testclient import TestClient
from tests.unit.command import crossgrain
from tests.unit.reading.records import read_bundle

from .calls import AS_OF, FHIR, PATIENTS, Resource

TO_LT3 = "04-levothyroxine-100-to-liothyronine.json"
QUERY = f"?target=liothyronine&as-of={AS_OF}"
THRICE = f"{QUERY}&lt3-doses=3"
TIMES = ("MORN", "AFT", "HS")
EVENLY = {2: ("MORN", "HS"), 3: TIMES}
Post = Callable[..., httpx.Response]


def record() -> Resource:
    made: Resource = json.loads((PATIENTS / TO_LT3).read_text())
    return made


def lt3_orders(answer: Resource, intent: str = "proposal") -> list[Resource]:
    found = (entry["resource"] for entry in answer["entry"])
    return [
        r
        for r in found
        if r["resourceType"] == "MedicationRequest"
        and r["intent"] == intent
        and "liothyronine" in r["medicationCodeableConcept"]["text"]
    ]


def by_time(answer: Resource) -> list[dict[str, Fraction]]:
    """What is swallowed at each time of day, in micrograms, step by step."""
    steps: dict[str, dict[str, Fraction]] = defaultdict(lambda: defaultdict(Fraction))
    for order in lt3_orders(answer):
        for instruction in order["dosageInstruction"]:
            repeat: dict[str, Any] = instruction["timing"]["repeat"]
            (mass,) = (
                Fraction(str(rate["doseQuantity"]["value"]))
                for rate in instruction["doseAndRate"]
                if rate["doseQuantity"]["unit"] != "tablet" and rate["doseQuantity"]["code"] == "ug"
            )
            when = repeat.get("when") or EVENLY.get(repeat["frequency"], ("MORN",))
            for time in when:
                steps[repeat["boundsPeriod"]["start"]][time] += mass
    return [steps[day] for day in sorted(steps)]


@pytest.mark.parametrize(("query", "most"), [(QUERY, 2), (THRICE, 3)], ids=["two", "three"])
def test_each_dose_rises_by_five_at_the_most_the_first_is_the_largest_and_none_is_left_out_again(
    post: Post, query: str, most: int
) -> None:
    days = by_time(post(record(), query).json())
    assert [sum(day.values()) for day in days] == [5, 10, 15, 20, 25]
    assert max(map(len, days)) == most
    for day in days:
        single = [day[time] for time in TIMES if time in day]
        assert single == sorted(single, reverse=True)
    for before, after in pairwise(days):
        assert len(after) >= len(before)
        assert max(after.values()) - max(before.values()) <= 5


def test_three_doses_are_coded_said_and_read_back_as_the_days_dose(post: Post) -> None:
    answer = post(record(), THRICE).json()
    fifteen = [
        (order, instruction)
        for order in lt3_orders(answer)
        for instruction in order["dosageInstruction"]
        if instruction["timing"]["repeat"]["frequency"] == 3
    ]
    ((order, instruction),) = fifteen
    words = "take 1 tablet three times a day, in the morning, in the afternoon and at bedtime"
    assert words in instruction["text"]
    statement = {
        **{key: order[key] for key in ("subject", "medicationCodeableConcept", "authoredOn")},
        "resourceType": "MedicationRequest",
        "id": "read-back",
        "status": "active",
        "intent": "order",
        "dosageInstruction": [instruction],
    }
    kept = [
        entry
        for entry in record()["entry"]
        if entry["resource"]["resourceType"] not in {"MedicationStatement", "MedicationRequest"}
    ]
    bundle = {**record(), "entry": [*kept, {"resource": statement}]}
    started = date.fromisoformat(instruction["timing"]["repeat"]["boundsPeriod"]["start"])
    read = read_bundle(bundle, as_of=started)
    assert not read.questions
    assert [line.daily for line in read.regimen] == [15]


def test_an_uneven_day_of_three_says_each_time(post: Post) -> None:
    said = [
        instruction["text"]
        for order in lt3_orders(post(record(), THRICE).json())
        for instruction in order["dosageInstruction"]
        if instruction["timing"]["repeat"].get("when")
    ]
    for words in ("2 tablets in the morning", "1 tablet in the afternoon", "1 tablet at bedtime"):
        assert any(words in text for text in said)


def test_the_sheet_says_all_three_times(client: TestClient) -> None:
    page = client.post(f"/sheet{THRICE}", json=record(), headers=FHIR).text
    assert "in the morning, in the afternoon and at bedtime" in page
    assert "1 tablet of 5 micrograms in the afternoon" in page


@pytest.mark.parametrize("doses", ["1", "4", "two"])
def test_another_number_of_doses_is_refused(post: Post, doses: str) -> None:
    answer = post(record(), f"{QUERY}&lt3-doses={doses}")
    assert answer.status_code == 400
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == ["http.lt3-doses"]
    assert issue["diagnostics"] == "lt3-doses is one of: 2, 3"


def test_the_command_line_takes_it_too() -> None:
    ran = crossgrain("propose", PATIENTS / TO_LT3, "--target", "liothyronine", "--as-of", AS_OF,
                     "--lt3-doses", "3", columns=200)  # fmt: skip
    assert ran.returncode == 0, ran.told
    assert "in 3 doses" in ran.told


def test_a_plan_above_25_micrograms_in_one_dose_waits_and_names_the_way_out(post: Post) -> None:
    much = record()
    for entry in much["entry"]:
        for dosage in entry["resource"].get("dosageInstruction", ()):
            dosage["text"] = "3 tablets once daily"
            dosage["doseAndRate"][0]["doseQuantity"]["value"] = 3
    found = {
        detail["resource"]["code"]["coding"][0]["code"]: detail["resource"]
        for detail in post(much, QUERY).json()["entry"]
        if detail["resource"]["resourceType"] == "DetectedIssue"
    }
    assert "lt3-doses" in json.dumps(found["lt3-single-dose"])
