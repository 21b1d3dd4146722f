"""A patient's risk shifts the plan that is proposed, end to end."""

import json
from collections.abc import Callable

import httpx2 as httpx
import pytest

from .calls import AS_OF, PATIENTS, Resource

Post = Callable[..., httpx.Response]
MOVES = [
    ("01-levothyroxine-150.json", "desiccated-thyroid"),
    ("01-levothyroxine-150.json", "liothyronine"),
    ("02-desiccated-120.json", "levothyroxine"),
    ("04-levothyroxine-100-to-liothyronine.json", "liothyronine"),
]
# SNOMED CT, as published.
HEART = {"49436004": "Atrial fibrillation", "53741008": "Coronary arteriosclerosis"}


def with_condition(record: Resource, code: str) -> Resource:
    patient = next(
        e["resource"]["id"] for e in record["entry"] if e["resource"]["resourceType"] == "Patient"
    )
    status = "http://terminology.hl7.org/CodeSystem/condition-clinical"
    condition = {
        "resourceType": "Condition",
        "id": "risk-1",
        "clinicalStatus": {"coding": [{"system": status, "code": "active"}]},
        "code": {
            "coding": [{"system": "http://snomed.info/sct", "code": code, "display": HEART[code]}]
        },
        "subject": {"reference": f"Patient/{patient}"},
    }
    return {**record, "entry": [*record["entry"], {"resource": condition}]}


def highest_coverage(answer: Resource) -> float:
    """The highest modelled coverage of the proposed plan, on whichever chart it is highest."""
    (guidance,) = (
        e["resource"]
        for e in answer["entry"]
        if e["resource"]["resourceType"] == "GuidanceResponse"
    )
    (held,) = (one for one in guidance["contained"] if one["resourceType"] == "Parameters")
    own = next(part for part in held["parameter"] if part["name"] == "forecast")
    charts = (part["part"] for part in own["part"] if part["name"] == "coverage")
    values = ({part["name"]: part.get("valueDecimal") for part in chart} for chart in charts)
    return max(float(found["highest"]) for found in values)


@pytest.mark.parametrize("code", HEART)
@pytest.mark.parametrize(("file", "target"), MOVES)
def test_a_cardiac_patients_plan_runs_less_high_than_the_same_without_the_heart_disease(
    post: Post, file: str, target: str, code: str
) -> None:
    """At the same pace, so that nothing but the weight of too much can make the difference."""
    record = json.loads((PATIENTS / file).read_text())
    query = f"?target={target}&pace=cautious&prior-therapy=overlap&as-of={AS_OF}"
    well, ill = (post(one, query) for one in (record, with_condition(record, code)))
    assert (well.status_code, ill.status_code) == (200, 200)
    assert highest_coverage(ill.json()) < highest_coverage(well.json())
    weighed = "coverage above 1 weighs 2 times, for this patient's risk"
    assert weighed in ill.text
    assert weighed not in well.text
