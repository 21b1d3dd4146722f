"""Today's TSH shifts what the plan is measured against, end to end."""

import json
from collections.abc import Callable
from html import unescape

import httpx2 as httpx
import pytest

from .calls import AS_OF, PATIENTS, Resource

Post = Callable[..., httpx.Response]
FILE = "01-levothyroxine-150.json"
QUERY = f"?target=desiccated-thyroid&as-of={AS_OF}"
SERIES = "http://crossgrain.example/fhir/StructureDefinition/switch-series"


def with_tsh(value: float) -> Resource:
    """The first invented patient, whose TSH came back as said."""
    record = json.loads((PATIENTS / FILE).read_text())
    drawn = [
        entry["resource"]
        for entry in record["entry"]
        if any(
            coding["code"] == "3016-3"
            for coding in entry["resource"].get("code", {}).get("coding", [])
        )
    ]
    assert len(drawn) == 1
    drawn[0]["valueQuantity"]["value"] = value
    return record


def answered(post: Post, value: float, version: str = "r4") -> Resource:
    answer = post(with_tsh(value), QUERY)
    assert answer.status_code == 200
    return answer.json()


def resources(answer: Resource, kind: str) -> list[Resource]:
    return [e["resource"] for e in answer["entry"] if e["resource"]["resourceType"] == kind]


def working(answer: Resource) -> list[Resource]:
    (guidance,) = resources(answer, "GuidanceResponse")
    (held,) = (one for one in guidance["contained"] if one["resourceType"] == "Parameters")
    return held["parameter"]


def part(parts: list[Resource], name: str) -> Resource:
    return next(one for one in parts if one["name"] == name)


def of_tsh(answer: Resource) -> dict[str, str]:
    """The statement of the rationale that tells what today's TSH changed."""
    for one in working(answer):
        told = {each["name"]: each.get("valueString", "") for each in one.get("part", [])}
        if one["name"] == "statement" and told["title"].startswith("Today's TSH"):
            return told
    raise AssertionError("no statement tells of today's TSH")


def carried(answer: Resource) -> set[float]:
    """The need that the care plan and every order carry."""
    marked = resources(answer, "CarePlan") + resources(answer, "MedicationRequest")
    found = set()
    for resource in marked:
        (ours,) = (e for e in resource["extension"] if e["url"] == SERIES)
        (need,) = (e for e in ours["extension"] if e["url"] == "need")
        found.add(need["valueDecimal"])
    return found


@pytest.mark.parametrize(
    ("value", "need", "title"),
    [
        (2.0, 1, "Today's TSH changes nothing of this plan"),
        (6.0, 1.1, "Today's TSH asks for more: coverage is measured against 1.1 times"),
        (18.0, 1.2, "Today's TSH asks for more: coverage is measured against 1.2 times"),
        (0.3, 0.9, "Today's TSH asks for less: the plan aims at 0.9 times today's dose"),
    ],
)
def test_the_need_is_told_and_carried_wherever_the_plan_goes(
    post: Post, value: float, need: float, title: str
) -> None:
    answer = answered(post, value)
    told = of_tsh(answer)
    assert told["title"].startswith(title)
    assert f"it is {value:g} mIU/L (" in told["arithmetic"]
    assert "Observation" in told["input"] or "entry" in told["input"]
    assert part(working(answer), "need")["valueDecimal"] == need
    assert carried(answer) == {need}
    forecast = part(working(answer), "forecast")["part"]
    assert any(one["name"] == "coverage-of-need" for one in forecast) is (need != 1)


def checkpoint(answer: Resource) -> float:
    return part(part(working(answer), "checkpoint")["part"], "grains")["valueDecimal"]


def floor(answer: Resource) -> float:
    forecast = part(working(answer), "forecast")["part"]
    return min(
        part(one["part"], "lowest")["valueDecimal"] for one in forecast if one["name"] == "coverage"
    )


def test_a_higher_tsh_raises_no_checkpoint_and_a_lower_one_lowers_it(post: Post) -> None:
    low, usual, high, highest = (answered(post, value) for value in (0.3, 2.0, 6.0, 18.0))
    assert checkpoint(low) < checkpoint(usual) == checkpoint(high) == checkpoint(highest)
    floors = [floor(answer) for answer in (low, usual, high, highest)]
    assert floors == sorted(floors)


def test_a_tsh_above_ten_waits_for_the_shortage_to_be_treated(post: Post) -> None:
    waits = "Treat the shortage first"
    assert waits in json.dumps(answered(post, 10.1))
    assert waits not in json.dumps(answered(post, 10.0))


def test_a_suppressed_tsh_still_stops_what_lets_hormone_rise(post: Post) -> None:
    answer = answered(post, 0.05)
    assert not resources(answer, "MedicationRequest")
    assert "tsh-suppressed" in json.dumps(answer)


def test_the_result_of_one_patient_never_shows_in_the_plan_of_the_next(post: Post) -> None:
    """Plans are kept by value: the same doses, with another result each time."""
    first = answered(post, 5.25)
    second = answered(post, 6.75)
    assert carried(first) == carried(second) == {1.1}
    assert "5.25" in of_tsh(first)["arithmetic"]
    assert "5.25" not in json.dumps(second)
    assert answered(post, 5.25) == first
    assert carried(answered(post, 2.0)) == {1}


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.3, "a day (0.9 times what the chart gives, by today's TSH)"),
        (6.0, "a day (today's TSH asks for 1.1 times today's dose; only labs go that far)"),
    ],
)
def test_a_prescriber_reads_beside_the_target_what_today_s_tsh_changed(
    post: Post, client: httpx.Client, value: float, words: str
) -> None:
    (care_plan,) = resources(answered(post, value), "CarePlan")
    assert words in care_plan["description"]
    sheet = client.post(f"/sheet{QUERY}", json=with_tsh(value))
    assert words in unescape(sheet.text)
    (usual,) = resources(answered(post, 2.0), "CarePlan")
    assert "today's" not in usual["description"]
