"""The card of a past switch: what it says, how grave it looks, and when there is none."""

from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from tests.api.hooks import INSTANCE, call

from crossgrain.cds import cards as module
from crossgrain.cds.cards import review_cards
from crossgrain.names.identity import stable_id
from crossgrain.operations.faults import RequestRefused
from crossgrain.screening.course import (
    Flag,
    FlagCode,
    FlagEvidence,
    FlagGrade,
    Screened,
    ScreeningOutcome,
    Urgency,
)
from crossgrain.words.doses import CAUTION

from .conftest import Cards, written

PARKED = "15-switched-at-half-the-dose.json"


def flag(
    grade: FlagGrade = FlagGrade.CONFIRMED, code: FlagCode = FlagCode.UNDER, **more: Any
) -> Flag:
    return Flag(
        code, grade, more.get("urgency", Urgency.SOON), date(2025, 1, 6), frozenset(), frozenset(),
        {"practice": Fraction(1, 2)}, frozenset(),
        more.get("statement", f"It is {code.value} [1]."),
        ("practice: 50 of 100",), (FlagEvidence("TSH 11_2", ("Observation/1",)),),
        "Look *now*.", "A source.",
    )  # fmt: skip


def cards_of(*flags: Flag, not_whole: tuple[str, ...] = ()) -> list[dict[str, Any]]:
    screened = Screened(ScreeningOutcome.FLAGGED, flags)
    return [written(card) for card in review_cards(INSTANCE.upper(), screened, not_whole)]


def test_a_switch_that_went_wrong_has_one_card_that_says_all_of_it() -> None:
    (card,) = cards_of(
        flag(), flag(FlagGrade.SUSPECTED, FlagCode.NO_TSH), not_whole=("Goal was not sent",)
    )
    assert card["uuid"] == stable_id(f"{INSTANCE}|review")
    assert (
        card["summary"] == "Dose too low after a switch (6 January 2025): confirmed by a blood test"
    )
    assert card["indicator"] == "warning"
    assert card["source"]["topic"]["code"] == "thyroid-hormone-switch"
    assert {"code": "labs-support"}.items() <= card["overrideReasons"][1].items()
    assert card["detail"].split("\n\n") == [
        "- **Confirmed**: It is under-dosed-switch \\[1\\].\n- **What to do**: Look \\*now\\*.",
        "- **Suspected**: It is no-tsh-after-switch \\[1\\].\n- **What to do**: Look \\*now\\*.",
        "- Of the record, Goal was not sent.",
        "- practice: 50 of 100\n- TSH 11\\_2\n- Source: A source.",
        "- practice: 50 of 100\n- TSH 11\\_2\n- Source: A source.",
        CAUTION,
    ]


def test_the_days_of_a_card_are_all_written_alike() -> None:
    (card,) = cards_of(flag(statement="Since 2025-01-06, and not 2025-13-06."))
    assert "(6 January 2025)" in card["summary"]
    assert "Since 6 January 2025, and not 2025-13-06." in card["detail"]


@pytest.mark.parametrize(
    "outcome", [o for o in ScreeningOutcome if o is not ScreeningOutcome.NEEDS_REVIEW]
)
def test_without_a_flag_nothing_is_said(outcome: ScreeningOutcome) -> None:
    assert review_cards(INSTANCE, Screened(outcome), ("Goal was not sent",)) == []


def test_what_is_not_shown_is_not_said_beside_what_is() -> None:
    quiet = flag(FlagGrade.OBSERVED, FlagCode.TSH_HIGH)
    urgent = flag(FlagGrade.OBSERVED, FlagCode.TSH_LOW, urgency=Urgency.URGENT)
    (card,) = cards_of(quiet, urgent)
    assert "tsh-low-after-switch" in card["detail"]
    assert "tsh-high-after-switch" not in card["detail"]
    assert card["summary"] == "TSH low after a switch (6 January 2025): seen in the record"


def test_a_doubt_is_said_with_what_it_rests_on() -> None:
    doubt = Screened(
        ScreeningOutcome.NEEDS_REVIEW, (), "a dose_unread", ("MedicationRequest/a", "b")
    )
    card = written(*review_cards(INSTANCE, doubt, ("Goal is only a part",)))
    assert (card["summary"], card["indicator"]) == (
        "A change of thyroid medicine needs review",
        "info",
    )
    assert card["detail"].split("\n\n") == [
        "- Of the record, Goal is only a part.",
        "Ask which thyroid medicines are taken, since when and how much.",
        "It cannot be told whether the dose was right. Open: a dose\\_unread",
        "Read from: MedicationRequest/a, b",
        CAUTION,
    ]


def test_a_doubt_that_rests_on_nothing_named_names_nothing() -> None:
    (card,) = review_cards(INSTANCE, Screened(ScreeningOutcome.NEEDS_REVIEW, (), "x"), ())
    assert "Read from" not in card.detail


def test_a_patient_parked_at_half_the_dose_is_found(cards: Cards) -> None:
    (card,) = cards(call(PARKED, [], "patient-view"), "thyroid-switch-review")
    assert (
        card["summary"] == "Dose too low after a switch (5 August 2024): confirmed by a blood test"
    )
    assert "New over old is 0.5 (practice) to 1 (label)" in card["detail"]
    assert "practice: now 1 grain" in card["detail"]
    assert "ddd" not in card["detail"]  # for comparison only; it grades nobody
    assert module.CAUTION in card["detail"]


def test_the_day_is_the_calendar_day_of_the_clinic(cards: Cards) -> None:
    """On the evening of 2 March in Lisbon it is 3 March in Helsinki: a result of then is past."""
    body = call(PARKED, [], "patient-view")
    for entry in body["prefetch"]["observations"]["entry"]:
        if entry["resource"].get("effectiveDateTime", "").startswith("2025-02-10"):
            entry["resource"]["effectiveDateTime"] = "2025-03-03"
    (here,) = cards(body, "thyroid-switch-review")
    (there,) = cards(body, "thyroid-switch-review", time_zone="Europe/Helsinki")
    assert "11.2" not in here["detail"]
    assert "11.2" in there["detail"]


def test_a_result_of_this_evening_is_past_however_its_time_is_written(cards: Cards) -> None:
    """At 19:30 in New York it is the next day by UTC."""
    details = []
    for when in ("2025-03-02", "2025-03-02T19:30:00-05:00", "2025-03-03T00:30:00Z"):
        body = call(PARKED, [], "patient-view")
        for entry in body["prefetch"]["observations"]["entry"]:
            if entry["resource"].get("effectiveDateTime", "").startswith("2025-02-10"):
                entry["resource"]["effectiveDateTime"] = when
        (card,) = cards(body, "thyroid-switch-review", time_zone="America/New_York")
        details.append(card["detail"])
    assert "11.2" in details[0]
    assert len(set(details)) == 1


def test_a_chart_that_cannot_be_read_at_all_is_refused_by_its_place_and_in_words(
    cards: Cards,
) -> None:
    body = call(PARKED, [], "patient-view")
    (entry, *_) = body["prefetch"]["medicationStatements"]["entry"]
    entry["resource"]["subject"] = {"reference": "Patient/p02"}
    with pytest.raises(RequestRefused) as refused:
        cards(body, "thyroid-switch-review")
    (complaint,) = refused.value.complaints
    assert complaint.expression is not None
    assert complaint.expression.startswith("prefetch.medicationStatements.entry[0].resource")
    assert complaint.message
