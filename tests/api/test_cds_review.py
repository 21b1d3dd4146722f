"""`patient-view`: a card for a past switch that went wrong, and none for the rest."""

from datetime import date
from typing import Any

import pytest
from fastapi.testclient import TestClient

from crossgrain.cds.cards import review_cards
from crossgrain.screening.course import (
    Flag,
    FlagCode,
    FlagGrade,
    Screened,
    ScreeningOutcome,
    Urgency,
)
from crossgrain.screening.writing import GRADES_IN_SHORT

from .calls import PATIENTS
from .hooks import INSTANCE, REVIEW, call

PARKED = "15-switched-at-half-the-dose.json"


def view(client: TestClient, file: str, **changes: Any) -> list[dict[str, Any]]:
    body = call(file, [], "patient-view")
    body["prefetch"] |= changes
    answer = client.post(REVIEW, json=body)
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["cards"]
    return found


def test_a_patient_parked_at_half_the_dose_has_a_warning(client: TestClient) -> None:
    (card,) = view(client, PARKED)
    assert card["indicator"] == "warning"
    assert "Dose too low after a switch" in card["summary"]
    assert "11.2" in card["detail"]
    assert "What to do" in card["detail"]


@pytest.mark.parametrize(
    "file", sorted(p.name for p in PATIENTS.iterdir() if p.name != PARKED and p.name[:2] != "16")
)
def test_every_other_patient_has_none(client: TestClient, file: str) -> None:
    assert view(client, file) == []


def test_a_switch_in_doubt_has_a_card_that_asks(client: TestClient) -> None:
    statements = call(PARKED, [], "patient-view")["prefetch"]["medicationStatements"]
    for entry in statements["entry"]:
        entry["resource"]["dosage"] = [{"text": "as directed"}]
    (card,) = view(client, PARKED, medicationStatements=statements)
    assert card["indicator"] == "info"
    assert card["summary"] == "A change of thyroid medicine needs review"
    assert "MedicationStatement/p15-medication-3" in card["detail"]
    assert "Ask which thyroid medicines are taken" in card["detail"]


def test_what_of_the_record_is_missing_is_said(client: TestClient) -> None:
    (card,) = view(client, PARKED, conditions=None, goals={"resourceType": "OperationOutcome"})
    assert "Goal could not be gathered" in card["detail"]
    assert "Condition" not in card["detail"]


@pytest.mark.parametrize("urgency", Urgency)
@pytest.mark.parametrize("grade", FlagGrade)
def test_a_mere_observation_has_a_card_only_where_it_is_urgent(
    grade: FlagGrade, urgency: Urgency
) -> None:
    """A TSH of 40 that no ratio explains must not wait until somebody looks for it.

    What is unresolved or suspected is not so certain that it warns.
    """
    flag = Flag(
        FlagCode.TSH_HIGH, grade, urgency, date(2025, 1, 6), frozenset(), frozenset(), {},
        frozenset(), "TSH is 40 mIU/L.", (), (), "Ask the patient in.", "invented",
    )  # fmt: skip
    cards = review_cards(INSTANCE, Screened(ScreeningOutcome.FLAGGED, (flag,)), ())
    if grade is FlagGrade.OBSERVED and urgency is not Urgency.URGENT:
        assert cards == []
    else:
        warns = grade in {FlagGrade.CONFIRMED, FlagGrade.LIKELY}
        assert [card.indicator for card in cards] == ["warning" if warns else "info"]
        assert (
            f"TSH high after a switch (6 January 2025): {GRADES_IN_SHORT[grade]}"
            == cards[0].summary
        )


def test_it_takes_only_its_own_hook(client: TestClient) -> None:
    answer = client.post(REVIEW, json=call(PARKED, []))
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["expression"] == ["hook"]
