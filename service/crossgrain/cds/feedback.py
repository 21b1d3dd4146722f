"""What became of cards: counted, and kept nowhere."""

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from crossgrain.cds.messages import (
    Message,
    Place,
    Resource,
    Uuid,
    holds,
    read_message,
    refuse,
    says,
    whole,
)
from crossgrain.names.identity import canonical

OVERRIDE_REASON_SYSTEM = canonical("CodeSystem", "override-reason")
OVERRIDE_REASONS = {
    "dose-agreed": "The dose was agreed with the patient or a specialist",
    "labs-support": "Labs at hand support the dose as written",
    "old-medicine-ends": "The old medicine is ended elsewhere",
    "added-on-purpose": "The order is added to what is taken, on purpose",
    "first-step": "It is one step of a plan that is written elsewhere",
    "record-incomplete": "The record does not show what is taken",
}


MOST_ENTRIES = 500
ACCEPTED, OVERRIDDEN = "accepted", "overridden"
_Words = Annotated[str, Field(min_length=1)]
_Instant = Annotated[
    str,
    whole(
        r"[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
        r"[Tt]([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?"
        r"([Zz]|[+\-]([01][0-9]|2[0-3]):[0-5][0-9])"
    ),
    Field(json_schema_extra={"format": "date-time"}),
]


class AcceptedSuggestion(Message):
    """A suggestion that the user took."""

    id: Uuid
    """The uuid of the suggestion."""


class OverrideCoding(Message):
    """One of the reasons that the card offered."""

    code: _Words
    system: _Words
    display: str | None = None


class OverrideReason(Message):
    """Why the user set the card aside."""

    reason: Annotated[OverrideCoding | None, says("a Coding with code and system is expected")] = (
        None
    )
    user_comment: Annotated[str | None, says("a text is expected")] = None
    """Not read: a person typed it, and it may name a patient."""


class FeedbackEntry(Message):
    """What became of one card."""

    card: Annotated[Uuid, says("the uuid of a card is required")]
    outcome_timestamp: Annotated[_Instant, says("a time of RFC 3339 is required")]
    """When, by any offset."""
    outcome: Annotated[
        Literal["accepted", "overridden"], says(f"{ACCEPTED} or {OVERRIDDEN} is required")
    ]
    accepted_suggestions: Annotated[
        tuple[Annotated[AcceptedSuggestion, says("an object with id, the suggestion's uuid")], ...],
        holds("it is required where a suggestion was accepted"),
    ] = ()
    """Of a card that was accepted; at least one."""
    override_reason: Annotated[
        OverrideReason | None, holds("an object with reason, userComment or both")
    ] = None
    """Of a card that was overridden."""

    @model_validator(mode="after")
    def _one_or_the_other(self) -> Self:
        refuse(self._not_of_one_outcome())
        return self

    def _not_of_one_outcome(self) -> Iterator[tuple[Place, str]]:
        both = "a card is accepted or overridden, not both"
        if self.outcome == ACCEPTED and not self.accepted_suggestions:
            yield ("acceptedSuggestions",), "it is required where a suggestion was accepted"
        if self.outcome == OVERRIDDEN and self.accepted_suggestions:
            yield ("acceptedSuggestions",), both
        if self.outcome == ACCEPTED and self.override_reason:
            yield ("overrideReason",), both


class Feedback(Message):
    """What became of cards."""

    feedback: Annotated[
        list[Annotated[FeedbackEntry, holds("an object is required")]],
        Field(min_length=1, max_length=MOST_ENTRIES),
        holds(f"an array of 1 to {MOST_ENTRIES} is required"),
    ]


def read_feedback(body: Resource) -> list[tuple[str, str]]:
    """Outcome and reason of each entry: a code of ours, ``other``, or ``none``.

    Raises
    ------
    RequestRefused
        400, with a complaint for everything that the specification does not allow.
    """
    entries = read_message(Feedback, body).feedback
    return [(entry.outcome, _reason(entry.override_reason)) for entry in entries]


def _reason(given: OverrideReason | None) -> str:
    if given is None or given.reason is None:
        return "none"
    coding = given.reason
    ours = coding.system == OVERRIDE_REASON_SYSTEM and coding.code in OVERRIDE_REASONS
    return coding.code if ours else "other"
