"""Blood draws of an answer, in both versions: how far apart, before which step, on every page."""

import json
from datetime import date, timedelta
from itertools import pairwise

import pytest
from tests.conformance.r5_records import as_r5

from .calls import AS_OF, PATIENTS, Resource
from .test_weekly_pattern import Post

TSH = "3016-3"
EIGHT_WEEKS = 56
"""Levothyroxine label: TSH every 6-8 weeks while the dose changes (secondary)."""
CLIMBS = (
    ("01-levothyroxine-150.json", "desiccated-thyroid", "standard"),
    ("01-levothyroxine-150.json", "desiccated-thyroid", "cautious"),
    ("10-older-with-atrial-fibrillation.json", "desiccated-thyroid", "standard"),
    ("04-levothyroxine-100-to-liothyronine.json", "liothyronine", "cautious"),
)


def query(target: str, pace: str, prior: str) -> str:
    return f"?target={target}&pace={pace}&prior-therapy={prior}&as-of={AS_OF}"


def answered(post: Post, version: str, file: str, asked: str) -> Resource:
    record = json.loads((PATIENTS / file).read_text())
    body = as_r5(record) if version == "r5" else record
    said: Resource = post(body, asked, route=f"/fhir/{version}/$propose-switch").json()
    return said


def of_type(answer: Resource, resource_type: str) -> list[Resource]:
    every = [entry["resource"] for entry in answer["entry"]]
    return [r for r in every if r["resourceType"] == resource_type]


def code_of(request: Resource) -> str:
    code = request["code"].get("concept", request["code"])
    coded: str = code["coding"][0]["code"]
    return coded


def tsh_days(answer: Resource, intent: str = "proposal") -> list[date]:
    return sorted(
        date.fromisoformat(request["occurrenceDateTime"])
        for request in of_type(answer, "ServiceRequest")
        if request["intent"] == intent
        and "occurrenceDateTime" in request
        and code_of(request) == TSH
    )


def first_days(answer: Resource) -> set[date]:
    return {
        date.fromisoformat(one["timing"]["repeat"]["boundsPeriod"]["start"])
        for order in of_type(answer, "MedicationRequest")
        if order["intent"] == "proposal"
        for one in order["dosageInstruction"]
    }


@pytest.mark.parametrize(("file", "target", "pace"), CLIMBS)
@pytest.mark.parametrize("prior", ["overlap", "stop"])
@pytest.mark.parametrize("version", ["r4", "r5"])
def test_no_two_draws_of_an_answer_are_more_than_eight_weeks_apart(
    post: Post, file: str, target: str, pace: str, prior: str, version: str
) -> None:
    answer = answered(post, version, file, query(target, pace, prior))
    drawn = [date.fromisoformat(AS_OF), *tsh_days(answer)]  # a recent TSH is not drawn again
    assert len(drawn) >= 3
    assert max((b - a).days for a, b in pairwise(drawn)) <= EIGHT_WEEKS
    begins = first_days(answer)
    for day in drawn[1:-1]:
        ahead = [(first - day).days for first in begins if first > day]
        assert 3 <= min(ahead) <= 7


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_each_draw_is_an_activity_of_the_care_plan(post: Post, version: str) -> None:
    file, target, pace = CLIMBS[0]
    answer = answered(post, version, file, query(target, pace, "overlap"))
    (plan,) = of_type(answer, "CarePlan")
    told = json.dumps(plan["activity"])
    requests = [r for r in of_type(answer, "ServiceRequest") if r["intent"] == "proposal"]
    assert requests
    assert all(f"urn:uuid:{request['id']}" in told for request in requests)


FRAIL, LT4_PATIENT = "10-older-with-atrial-fibrillation.json", "01-levothyroxine-150.json"


def named(request: Resource) -> str:
    words: str = request["code"].get("concept", request["code"])["text"]
    return words


def days_of(request: Resource) -> list[str]:
    timing = request.get("occurrenceTiming", {}).get("event")
    return timing or [request["occurrenceDateTime"]]


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_pulse_tracing_and_inr_are_dated_requests_where_heart_and_anticoagulant_ask(
    post: Post, version: str
) -> None:
    answer = answered(post, version, FRAIL, query("desiccated-thyroid", "standard", "overlap"))
    checks = {
        named(request): days_of(request)
        for request in of_type(answer, "ServiceRequest")
        if request["intent"] == "proposal" and "supportingInfo" in request
    }
    rises = sorted(
        one["timing"]["repeat"]["boundsPeriod"]["start"]
        for order in of_type(answer, "MedicationRequest")
        if order["intent"] == "proposal"
        and "desiccated" in str(order.get("medication", order.get("medicationCodeableConcept")))
        for one in order["dosageInstruction"]
    )
    assert set(checks["Resting pulse"]) == set(rises)
    first = min(day for day in tsh_days(answer) if day > date.fromisoformat(AS_OF))
    assert checks["Electrocardiogram"] == [AS_OF, first.isoformat()]
    assert checks["INR"][0] == AS_OF
    assert {"Resting pulse", "Electrocardiogram", "INR"} == set(checks)


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_labs_of_two_weeks_ago_are_cited_and_not_drawn_again(post: Post, version: str) -> None:
    answer = answered(post, version, LT4_PATIENT, query("desiccated-thyroid", "standard", "stop"))
    assert date.fromisoformat(AS_OF) not in tsh_days(answer)
    (plan,) = of_type(answer, "CarePlan")
    assert "stands as the baseline: not drawn again" in plan["text"]["div"]
    cited = [info["reference"] for info in plan["supportingInfo"]]
    assert any(reference.startswith("Observation/") for reference in cited)


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_older_labs_are_drawn_before_day_one(post: Post, version: str) -> None:
    later = (date.fromisoformat(AS_OF) + timedelta(days=60)).isoformat()
    asked = f"?target=desiccated-thyroid&as-of={later}"
    assert date.fromisoformat(later) in tsh_days(answered(post, version, LT4_PATIENT, asked))
