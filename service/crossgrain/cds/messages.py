"""How structs of CDS Hooks read what a client sends and say what is wrong; feedback on cards.

``null`` is the same as left out, and fields that are not known are passed over, as CDS Hooks
has it. Everything that is amiss is said at once, each by its place and in the words that stand
beside the field. The OpenAPI document is made of the same structs.
"""

import re
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)
from pydantic.alias_generators import to_camel
from pydantic_core import InitErrorDetails, PydanticCustomError

from crossgrain.names.identity import canonical
from crossgrain.operations.faults import Complaint, Fault, RequestRefused

Resource = dict[str, Any]
Place = tuple[int | str, ...]
ID = r"[A-Za-z0-9\-.]{1,64}"
FHIR_ID = re.compile(ID, re.ASCII)


def said(words: str) -> PydanticCustomError:
    """The error of a value of which these words are said."""
    return PydanticCustomError("amiss", "{words}", {"words": words})


def says(words: str) -> WrapValidator:
    """These words are said of the value, whatever is wrong with it or inside of it."""

    def check(value: object, inner: ValidatorFunctionWrapHandler) -> Any:
        try:
            return inner(value)
        except ValidationError:
            raise said(words) from None

    return WrapValidator(check)


def holds(words: str) -> WrapValidator:
    """These words are said of the value itself; what is wrong inside of it has its own."""

    def check(value: object, inner: ValidatorFunctionWrapHandler) -> Any:
        try:
            return inner(value)
        except ValidationError as wrong:
            if all(error["loc"] for error in wrong.errors()):
                raise
            raise said(words) from None

    return WrapValidator(check)


def refuse(faults: Iterable[tuple[Place, str]]) -> None:
    """Refuse what fields say of each other, each fault by its place."""
    details = [InitErrorDetails(type=said(w), loc=at, input=None) for at, w in faults]
    if details:
        raise ValidationError.from_exception_data("message", details)


def whole(expression: str) -> StringConstraints:
    """The string is this and nothing else, by rules that JSON Schema has as well."""
    return StringConstraints(pattern=f"^{expression}$")


_HEX = "[0-9a-fA-F]"
Uuid = Annotated[
    str,
    whole(f"{_HEX}{{8}}(-{_HEX}{{4}}){{3}}-{_HEX}{{12}}"),
    Field(json_schema_extra={"format": "uuid"}),
]


class Message(BaseModel):
    """An object that a client sends."""

    # The text below a field is read where the document is made: to parse it at each start is slow.
    # Each is built with the first call of its kind: many a deployment has no hooks.
    model_config = ConfigDict(
        alias_generator=to_camel, extra="ignore", frozen=True, defer_build=True
    )

    @model_validator(mode="before")
    @classmethod
    def _null_is_left_out(cls, sent: Any) -> Any:
        """What is required and missing goes on as ``null``, to be asked for in its own words."""
        if not isinstance(sent, dict):
            return sent
        needed = [f.alias or name for name, f in cls.model_fields.items() if f.is_required()]
        return dict.fromkeys(needed) | {k: v for k, v in sent.items() if v is not None}


Sent = TypeVar("Sent", bound=Message)


def read_message(kind: type[Sent], body: Resource, hooks: tuple[str, ...] = ()) -> Sent:
    """Read what a client sent.

    Parameters
    ----------
    kind : the struct
    body : the JSON object
    hooks : those of the service that is called

    Raises
    ------
    RequestRefused
        400, with a complaint for everything that is missing or misshapen.
    """
    try:
        return kind.model_validate(body, context=hooks)
    except ValidationError as wrong:
        errors = wrong.errors(include_url=False, include_context=False, include_input=False)
        raise RequestRefused(
            *(Complaint(Fault.INPUT_SHAPE, _path(e["loc"]), e["msg"]) for e in errors)
        ) from None


def _path(place: Place) -> str:
    steps = (f"[{step}]" if isinstance(step, int) else f".{step}" for step in place)
    return "".join(steps).removeprefix(".")


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


class FeedbackCall(Message):
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
    entries = read_message(FeedbackCall, body).feedback
    return [(entry.outcome, _reason(entry.override_reason)) for entry in entries]


def _reason(given: OverrideReason | None) -> str:
    if given is None or given.reason is None:
        return "none"
    coding = given.reason
    ours = coding.system == OVERRIDE_REASON_SYSTEM and coding.code in OVERRIDE_REASONS
    return coding.code if ours else "other"
