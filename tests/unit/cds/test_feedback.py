"""Feedback: what became of a card, read as CDS Hooks 2.0 has it, and counted."""

from typing import Any

import pytest
from tests.api.hooks import INSTANCE

from crossgrain.cds.cards import OVERRIDE_REASON_SYSTEM
from crossgrain.cds.messages import MOST_ENTRIES, read_feedback
from crossgrain.operations.faults import Fault, RequestRefused

OURS = {"code": "labs-support", "system": OVERRIDE_REASON_SYSTEM}
CODING = "a Coding with code and system is expected"
SUGGESTION = "an object with id, the suggestion's uuid"
REASON = "an object with reason, userComment or both"
BOTH = "a card is accepted or overridden, not both"
TIME = "a time of RFC 3339 is required"


def accepted(**changes: Any) -> dict[str, Any]:
    """A card whose suggestion was taken; ``None`` leaves a field out."""
    whole = {
        "card": INSTANCE,
        "outcome": "accepted",
        "acceptedSuggestions": [{"id": INSTANCE}],
        "outcomeTimestamp": "2025-03-03T10:05:31Z",
        **changes,
    }
    return {name: value for name, value in whole.items() if value is not None}


def overridden(reason: Any = None, **changes: Any) -> dict[str, Any]:
    """A card that was set aside."""
    set_aside = {"outcome": "overridden", "acceptedSuggestions": None, "overrideReason": reason}
    return accepted(**{**set_aside, **changes})


def refused(body: dict[str, Any]) -> list[tuple[str | None, str]]:
    """Place and words of every complaint."""
    with pytest.raises(RequestRefused) as raised:
        read_feedback(body)
    assert {complaint.category for complaint in raised.value.complaints} == {Fault.INPUT_SHAPE}
    return [(complaint.expression, complaint.message) for complaint in raised.value.complaints]


@pytest.mark.parametrize(
    ("entry", "counted"),
    [
        (accepted(), ("accepted", "none")),
        (overridden(), ("overridden", "none")),
        (overridden({"userComment": "told so"}), ("overridden", "none")),
        (overridden({"reason": OURS}), ("overridden", "labs-support")),
        (overridden({"reason": OURS | {"display": "x"}}), ("overridden", "labs-support")),
        (overridden({"reason": OURS | {"code": "theirs"}}), ("overridden", "other")),
        (overridden({"reason": OURS | {"system": "urn:theirs"}}), ("overridden", "other")),
        (overridden({"reason": OURS | {"extension": {}}}), ("overridden", "labs-support")),
        (overridden({"reason": OURS, "extension": {}}), ("overridden", "labs-support")),
        (accepted(extension={"a": 1}), ("accepted", "none")),
        (accepted(acceptedSuggestions=[{"id": INSTANCE, "extension": {}}]), ("accepted", "none")),
        (accepted(card=INSTANCE.upper()), ("accepted", "none")),
    ],
)
def test_an_outcome_is_counted_by_a_reason_of_ours_and_by_nothing_that_a_caller_made_up(
    entry: dict[str, Any], counted: tuple[str, str]
) -> None:
    """A label of a counter must not be the caller's to choose: it could hold a patient's name."""
    assert read_feedback({"feedback": [entry]}) == [counted]


def test_each_entry_is_counted() -> None:
    body = {"feedback": [accepted(), overridden({"reason": OURS})], "extension": {"a": 1}}
    assert read_feedback(body) == [("accepted", "none"), ("overridden", "labs-support")]


@pytest.mark.parametrize("time", [
    "2025-03-03T10:05:31Z", "2025-03-03t10:05:31z", "2025-12-31T23:59:60Z",
    "2025-01-01T00:00:00.123456789012Z", "2025-03-03T10:05:31+00:00", "2025-03-03T10:05:31-00:00",
    "2025-03-03T10:05:31+02:00", "2025-03-03T10:05:31.5-09:30", "2025-03-03T23:59:59+23:59",
])  # fmt: skip
def test_a_time_is_one_of_rfc_3339_of_any_offset_and_fraction(time: str) -> None:
    """RFC 3339, 5.6; that it should be in UTC is no reason to lose what was reported."""
    assert read_feedback({"feedback": [accepted(outcomeTimestamp=time)]})


@pytest.mark.parametrize("time", [
    None, 5, "yesterday", "2025-03-03", "2025-03-03T10:05Z", "2025-03-03T10:05:31",
    "2025-03-03T10:05:31+24:00", "2025-03-03T10:05:31.Z", "2025-13-03T10:05:31Z",
    "2025-03-32T10:05:31Z", "2025-03-03T24:05:31Z", "2025-03-03T10:60:31Z", "2025-03-03T10:05:61Z",
    "2025-03-03T10:05:31Zx",
])  # fmt: skip
def test_another_time_is_refused(time: Any) -> None:
    body = {"feedback": [accepted(outcomeTimestamp=time)]}
    assert refused(body) == [("feedback[0].outcomeTimestamp", TIME)]


@pytest.mark.parametrize("entries", [None, {}, "x", [], [accepted()] * (MOST_ENTRIES + 1)])
def test_feedback_is_a_list_of_one_to_five_hundred(entries: Any) -> None:
    assert refused({"feedback": entries}) == [("feedback", "an array of 1 to 500 is required")]


def test_five_hundred_are_taken() -> None:
    assert len(read_feedback({"feedback": [accepted()] * 500})) == 500


@pytest.mark.parametrize(
    "entry",
    [
        accepted(more=1),
        accepted(acceptedSuggestions=[{"id": INSTANCE, "label": "x"}]),
        accepted() | {"overrideReason": None},
    ],
)
def test_what_is_not_known_and_null_are_passed_over(entry: dict[str, Any]) -> None:
    body = {"feedback": [entry], "patient": "p01", "extension": None}
    assert read_feedback(body) == [("accepted", "none")]


@pytest.mark.parametrize(
    ("entry", "reason"),
    [
        (overridden(acceptedSuggestions=[]), "none"),
        (overridden({}), "none"),
        (overridden() | {"acceptedSuggestions": None, "overrideReason": None}, "none"),
        (overridden({"reason": None, "userComment": None}), "none"),
        (overridden({"userComment": ""}), "none"),
        (overridden({"reason": OURS, "patient": "x"}), "labs-support"),
        (overridden({"reason": OURS | {"version": "1", "display": None}}), "labs-support"),
    ],
)
def test_what_was_not_filled_in_says_nothing(entry: dict[str, Any], reason: str) -> None:
    assert read_feedback({"feedback": [entry]}) == [("overridden", reason)]


@pytest.mark.parametrize(
    ("entry", "place", "words"),
    [
        (5, "", "an object is required"),
        (accepted(card=None), ".card", "the uuid of a card is required"),
        (accepted(card=5), ".card", "the uuid of a card is required"),
        (accepted(card=f"{INSTANCE}0"), ".card", "the uuid of a card is required"),
        (
            overridden(outcome="ignored"),
            ".outcome",
            "accepted or overridden is required",
        ),
        (overridden(outcome=5), ".outcome", "accepted or overridden is required"),
        (overridden(acceptedSuggestions=[{"id": INSTANCE}]), ".acceptedSuggestions", BOTH),
        (
            accepted(acceptedSuggestions=None),
            ".acceptedSuggestions",
            "it is required where a suggestion was accepted",
        ),
        (
            accepted(acceptedSuggestions=[]),
            ".acceptedSuggestions",
            "it is required where a suggestion was accepted",
        ),
        (
            accepted(acceptedSuggestions={"id": INSTANCE}),
            ".acceptedSuggestions",
            "it is required where a suggestion was accepted",
        ),
        (
            accepted(acceptedSuggestions=[{"id": INSTANCE}, INSTANCE]),
            ".acceptedSuggestions[1]",
            SUGGESTION,
        ),
        (accepted(acceptedSuggestions=[{}]), ".acceptedSuggestions[0]", SUGGESTION),
        (accepted(acceptedSuggestions=[{"id": 5}]), ".acceptedSuggestions[0]", SUGGESTION),
        (accepted(overrideReason={"reason": OURS}), ".overrideReason", BOTH),
        (overridden([]), ".overrideReason", REASON),
        (overridden("x"), ".overrideReason", REASON),
        (overridden({"userComment": 5}), ".overrideReason.userComment", "a text is expected"),
        (overridden({"reason": "x"}), ".overrideReason.reason", CODING),
        (overridden({"reason": {"code": "x"}}), ".overrideReason.reason", CODING),
        (overridden({"reason": {"system": "x"}}), ".overrideReason.reason", CODING),
        (overridden({"reason": OURS | {"code": ""}}), ".overrideReason.reason", CODING),
        (overridden({"reason": OURS | {"system": 5}}), ".overrideReason.reason", CODING),
        (overridden({"reason": OURS | {"display": 5}}), ".overrideReason.reason", CODING),
    ],
)
def test_an_entry_that_the_specification_does_not_allow_is_named(
    entry: Any, place: str, words: str
) -> None:
    body = {"feedback": [accepted(), entry]}
    assert refused(body) == [(f"feedback[1]{place}", words)]


def test_everything_amiss_is_named_at_once() -> None:
    body = {"feedback": [{"outcome": "overridden"}, 5]}
    assert [place for place, _ in refused(body)] == [
        "feedback[0].card",
        "feedback[0].outcomeTimestamp",
        "feedback[1]",
    ]
