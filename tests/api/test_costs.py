"""What costs more than its bytes is refused as such, by every operation that would pay for it."""

from collections.abc import Callable
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.steps import steps

from .calls import COMPARE, LT4, PROPOSE, Resource
from .hooks import ORDER, call, grains
from .hooks import order as draft

SCREEN = "/fhir/r4/$screen-switches"
DAY = "?as-of=2025-03-03"


def order(number: int, name: str, **more: Any) -> Resource:
    """An order for one tablet a day that has no end."""
    return {
        "resourceType": "MedicationRequest",
        "id": str(number),
        "status": "active",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "authoredOn": f"20{10 + number % 14}-01-05",
        "medicationCodeableConcept": {"text": name},
        "dosageInstruction": [{"text": "1 tablet daily"}],
        **more,
    }


def record(*orders: Resource) -> Resource:
    everyone = [{"resourceType": "Patient", "id": "p1"}, *orders]
    entries = [{"resource": resource} for resource in everyone]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


TABLETS = ("levothyroxine 100 mcg tablet", "thyroid 60 mg tablet")


@pytest.mark.parametrize(("count", "status"), [(50, 200), (51, 413)])
def test_a_crowd_of_thyroid_medicines_is_not_screened(
    post: Callable[..., Any], count: int, status: int
) -> None:
    crowd = record(*(order(number, TABLETS[number % 2]) for number in range(count)))
    answer = post(crowd, DAY, SCREEN)
    assert answer.status_code == status
    if status == 413:
        (issue,) = answer.json()["issue"]
        assert (issue["code"], issue["expression"]) == ("too-costly", ["Bundle"])


@pytest.mark.parametrize("route", [PROPOSE, COMPARE, SCREEN, "/sheet"])
def test_a_name_without_end_is_refused_everywhere(post: Callable[..., Any], route: str) -> None:
    query = "&target=levothyroxine" if route in {PROPOSE, "/sheet"} else ""
    answer = post(record(order(1, "levothyroxine 1 mg " * 1000)), f"{DAY}{query}", route)
    assert answer.status_code == 413
    (issue,) = answer.json()["issue"]
    assert issue["code"] == "too-costly"
    assert issue["expression"] == ["Bundle.entry[1].resource.medication"]


def test_the_drafts_of_a_session_are_told_apart_in_one_pass(client: TestClient) -> None:
    """Of other medicines there may be many, and what stands around them is read once."""
    codings = [{"system": "s", "code": str(number)} for number in range(40)]
    conditions = [
        {
            "resourceType": "Condition",
            "id": f"c{number}",
            "subject": {"reference": "Patient/p01"},
            "code": {"coding": codings},
        }
        for number in range(40)
    ]

    apart = TestClient(client.app)  # answers in a thread of its own, which is counted

    def work(drafts: int) -> int:
        others = [
            draft("warfarin", "855332", 5, "mg", "p01", own_id=f"w{number}")
            for number in range(drafts)
        ]
        sent = call(LT4, [*others, grains(60, "p01")])
        sent["prefetch"]["conditions"] = {
            "resourceType": "Bundle",
            "type": "searchset",
            "entry": [{"resource": condition} for condition in conditions],
        }
        answers = []
        spent = steps(lambda: answers.append(apart.post(ORDER, json=sent)))
        (answer,) = answers
        assert answer.status_code == 200
        assert len(answer.json()["cards"]) == 1
        return spent

    work(1)  # after it, words are remembered
    alone = work(1)
    assert (work(200) - alone) / 199 < alone / 100  # measured: a four-hundredth
