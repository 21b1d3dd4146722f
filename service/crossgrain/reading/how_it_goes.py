"""How it goes: what a patient on the way to another thyroid medicine is asked at every visit.

The questions stand in ``data/how_it_goes.toml`` and are published as a Questionnaire. An answer
counts only where its QuestionnaireResponse names that Questionnaire: in other words it would be
another question.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

import msgspec

from crossgrain.names.identity import HOW_IT_GOES


class AnswerType(StrEnum):
    """What an item is answered with."""

    YES_OR_NO = "boolean"
    DAYS = "days"


class Item(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One question.

    Attributes
    ----------
    id : its linkId, and the name by which a rule looks for a yes
    text : the question as the patient reads it
    most : the largest number of days that it can be answered with
    """

    id: str
    text: str
    type: AnswerType
    source: str
    most: int = 0


class HowItGoes(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The questions in their order."""

    title: str = ""
    source: str = ""
    item: tuple[Item, ...] = ()


def how_it_goes_from(content: Mapping[str, object]) -> HowItGoes:
    """Check the content of the data file.

    Raises
    ------
    msgspec.ValidationError
        naming the entry and its key.
    """
    return msgspec.convert(content, HowItGoes)


def names_how_it_goes(response: Mapping[str, Any]) -> bool:
    """Whether a QuestionnaireResponse answers these questions, whichever version of them."""
    named = response.get("questionnaire")
    return isinstance(named, str) and named.partition("|")[0] == HOW_IT_GOES
