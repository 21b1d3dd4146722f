"""What a client is told, as structs from which both the answer and its schema are made."""

from typing import Annotated, Any, Literal, TypeAlias

from msgspec import UNSET, Meta, Struct, UnsetType

LONGEST_SUMMARY = 139
"""The specification asks for fewer than 140 characters."""
_Uuid: TypeAlias = Annotated[str, Meta(extra_json_schema={"format": "uuid"})]
_AtLeastOne = Meta(min_length=1)


class Answered(Struct, frozen=True, kw_only=True, omit_defaults=True, rename="camel"):
    """An object of an answer; what there is not is left out."""


class CardCoding(Answered, frozen=True, kw_only=True):
    """A topic, or a reason to choose from."""

    code: str
    system: str
    display: str


class CardSource(Answered, frozen=True, kw_only=True):
    """Who says it, and about what."""

    label: str
    topic: CardCoding


class CardAction(Answered, frozen=True, kw_only=True):
    """One thing to carry out: create or update a whole resource, or delete one by Type/id."""

    type: Literal["create", "update", "delete"]
    description: str
    resource: dict[str, Any] | UnsetType = UNSET
    resource_id: str | UnsetType = UNSET


class CardSuggestion(Answered, frozen=True, kw_only=True):
    """One choice; its actions belong together, and are carried out in their order."""

    label: str
    uuid: _Uuid
    is_recommended: bool = False
    actions: Annotated[list[CardAction], _AtLeastOne]


class Card(Answered, frozen=True, kw_only=True):
    """One card; its detail is GitHub-flavoured Markdown."""

    uuid: _Uuid
    summary: Annotated[str, Meta(max_length=LONGEST_SUMMARY)]
    detail: str
    indicator: Literal["info", "warning", "critical"]
    source: CardSource
    suggestions: Annotated[list[CardSuggestion], _AtLeastOne] | UnsetType = UNSET
    selection_behavior: Literal["any", "at-most-one"] | UnsetType = UNSET
    override_reasons: Annotated[list[CardCoding], _AtLeastOne] | UnsetType = UNSET


class CardsAnswer(Answered, frozen=True, kw_only=True):
    """The answer to a hook. No card: there is nothing to say, which is no clearance."""

    cards: list[Card]


class OfferedService(Answered, frozen=True, kw_only=True):
    """One service on one hook, with its prefetch templates by their keys."""

    hook: str
    title: str
    description: str
    id: str
    prefetch: dict[str, str]
    usage_requirements: str
    version: Literal["STU3"]
    """The release of CDS Hooks, as 3.0 has it; 2.0 has no such element."""


class Discovery(Answered, frozen=True, kw_only=True):
    """Every service."""

    services: list[OfferedService]
