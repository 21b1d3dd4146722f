"""What may be replied to a question at the order: a statement of what is taken.

One suggestion for each dose that the record's words may mean, none of them recommended. It creates
a MedicationStatement that is derived from the order in question; the next call reads it, and does
not ask again.
"""

from collections.abc import Iterator
from typing import Any

from crossgrain.cds.answers import CardAction, CardSuggestion
from crossgrain.cds.card_detail import CardDesk
from crossgrain.names.identity import stable_id
from crossgrain.reading.elements import Asks
from crossgrain.reading.question_form import Posed, PossibleAnswer
from crossgrain.writing.elements import plain

Resource = dict[str, Any]
MOST_REPLIES = 8
"""On one card: more are no choice but a list."""


def replies(desk: CardDesk, on: str) -> list[CardSuggestion]:
    """The suggestions of a card that asks.

    Parameters
    ----------
    desk : the call, with the form of what it leaves open
    on : the day on which it is answered, as FHIR writes it
    """
    posed = [each for each in desk.form.posed if _is_taken(each)] if desk.form else []
    several = len({each.number for each in posed}) > 1
    found = {
        reply.uuid: reply for each in posed for reply in _replies(desk, each, on, named=several)
    }
    return list(found.values())[:MOST_REPLIES]


def _is_taken(posed: Posed) -> bool:
    """Whether it asks about a medicine that may be taken, and not about an order to be judged."""
    return posed.entry is not None and posed.entry.resource.get("status") != "draft"


def _replies(desk: CardDesk, posed: Posed, on: str, *, named: bool) -> Iterator[CardSuggestion]:
    of = f"{posed.medicine}: " if named and posed.medicine else ""
    for choice in posed.readings:
        statement = _statement(desk, posed, choice, on)
        words = plain(f"Record that {choice.words} is taken")
        yield CardSuggestion(
            label=plain(f"{of}{choice.words}"),
            uuid=desk.uuid(f"reply|{posed.number}|{choice.code}"),
            actions=[CardAction(type="create", description=words, resource=statement)],
        )


def _statement(desk: CardDesk, posed: Posed, choice: PossibleAnswer, on: str) -> Resource:
    """The dose of one reading as a statement; of a name that is unclear by a clear one."""
    (resource,) = choice.change.added or (choice.change.resources[posed.number] or {},)
    entry = posed.entry
    reference = desk.assembled.reference(entry.reference) if entry else ""
    line = choice.lines[0].preparation
    medication = {k: v for k, v in resource.items() if k.startswith("medication")}
    if posed.question.asks is Asks.MEDICINE or "contained" in resource:
        medication = {"medicationCodeableConcept": {"text": line.generic_name}}
    since = resource.get("effectivePeriod") or _since(resource.get("authoredOn"))
    return {
        "resourceType": "MedicationStatement",
        "id": stable_id(f"reply|{reference}|{choice.code}|{on}"),
        "status": "active",
        **medication,
        "subject": resource["subject"],
        **({"effectivePeriod": since} if since else {}),
        "dateAsserted": on,
        "derivedFrom": [{"reference": reference}],
        "dosage": resource.get("dosage") or resource.get("dosageInstruction"),
    }


def _since(written: object) -> Resource:
    return {"start": written} if isinstance(written, str) else {}
