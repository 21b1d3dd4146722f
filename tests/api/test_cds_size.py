"""Every hook call of the golden answers: how long a card is, and how much its first choice does."""

from collections import Counter

import pytest
from fastapi.testclient import TestClient
from tests.golden.asked import calls

pytestmark = pytest.mark.slow


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
    print(f"cards: {cards.total()}; actions of the first suggestion: {sorted(actions.items())}")
    assert cards.total() > 300
    assert max(cards) < 800
    assert actions.total() > 100
    assert max(actions) <= 6
    assert sorted(actions.elements())[actions.total() // 2] <= 5
