"""Every hook call of the golden answers: how long a card is, and how much its first choice does."""

from collections import Counter

import pytest
from fastapi.testclient import TestClient
from fixtures.visits.chart import first_day
from tests.golden.asked import calls

from .calls import Resource

pytestmark = pytest.mark.slow
LABORATORY = "108252007"
"""SNOMED CT: laboratory procedure."""


def foreign(actions: list[Resource]) -> list[Resource]:
    """What is none of the few things that a first suggestion may do: the draft as its first order,
    orders from no later than its last day on, other drafts among them or removed, ends, one blood
    test."""
    draft, *more_drafts = [a["resource"] for a in actions if a["type"] == "update"]
    made = [*more_drafts, *(a["resource"] for a in actions if a["type"] == "create")]
    draws = [each for each in made if each["resourceType"] == "ServiceRequest"]
    known = {"MedicationRequest", "ServiceRequest", "Task"}
    return [
        *draws[1:],
        *(each for each in draws if LABORATORY not in str(each["category"])),
        *(each for each in made if each["resourceType"] not in known),
        *(each for each in made if "dosageInstruction" in each and first_day(each) > end_of(draft)),
        *(each for each in made if each["resourceType"] == "Task" and "focus" not in each),
    ]


def end_of(order: Resource) -> str:
    last: str = order["dosageInstruction"][-1]["timing"]["repeat"]["boundsPeriod"]["end"]
    return last


def test_a_card_is_short_and_its_first_choice_is_few_actions(client: TestClient) -> None:
    """Fifteen invented patients, twelve orders each, on every hook."""
    cards: Counter[int] = Counter()
    actions: Counter[int] = Counter()
    for asked in (each for each in calls() if each.surface == "hooks"):
        answer = client.request(asked.method, asked.path, headers=asked.headers, content=asked.body)
        assert answer.status_code == 200, asked.name
        assert len(answer.content) < 50_000, asked.name
        for card in answer.json().get("cards", []):
            cards[len(card["detail"])] += 1
            for suggestion in card.get("suggestions", [])[:1]:
                actions[len(suggestion["actions"])] += 1
                assert foreign(suggestion["actions"]) == [], asked.name
    print(f"cards: {cards.total()}; actions of the first suggestion: {sorted(actions.items())}")
    assert cards.total() > 300
    assert max(cards) < 800
    assert actions.total() > 100
    assert max(actions) <= 6
    assert actions[6] == 0  # six are allowed, and none of these needs them
    assert sorted(actions.elements())[actions.total() // 2] <= 4
