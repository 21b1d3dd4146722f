"""What became of cards: read strictly, counted, and kept nowhere.

A comment that a person typed is checked for its type and then forgotten.
"""

import re
from collections.abc import Iterator
from typing import Any

from crossgrain.cds.hook import UUID
from crossgrain.names.identity import canonical
from crossgrain.operations.faults import Complaint, Fault, RequestRefused

OVERRIDE_REASON_SYSTEM = canonical("CodeSystem", "override-reason")
OVERRIDE_REASONS = {
    "dose-agreed": "The dose was agreed with the patient or a specialist",
    "labs-support": "Labs at hand support the dose as written",
    "old-medicine-ends": "The old medicine is ended elsewhere",
    "added-on-purpose": "The order is added to what is taken, on purpose",
    "first-step": "It is one step of a plan that is written elsewhere",
    "record-incomplete": "The record does not show what is taken",
}


Entry = dict[str, Any]
ACCEPTED, OVERRIDDEN = "accepted", "overridden"
_KNOWN = {"card", "outcome", "acceptedSuggestions", "overrideReason", "outcomeTimestamp"}
_UTC = re.compile(
    r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d{1,9})?"
    r"(Z|[+-]00:00)",
    re.ASCII | re.IGNORECASE,
)
MOST_ENTRIES = 500


def read_feedback(body: dict[str, Any]) -> list[tuple[str, str]]:
    """Outcome and reason of each entry: a code of ours, ``other``, or ``none``.

    Raises
    ------
    RequestRefused
        400, with a complaint for everything that the specification does not allow.
    """
    entries = body.get("feedback")
    if set(body) - {"feedback", "extension"}:
        raise RequestRefused(_complaint("feedback", "feedback is the only field"))
    if not isinstance(entries, list) or not 0 < len(entries) <= MOST_ENTRIES:
        raise RequestRefused(_complaint("feedback", f"an array of 1 to {MOST_ENTRIES} is required"))
    complaints = [
        complaint
        for number, entry in enumerate(entries)
        for complaint in _wrong(entry, f"feedback[{number}]")
    ]
    if complaints:
        raise RequestRefused(*complaints)
    return [(entry["outcome"], _reason(entry)) for entry in entries]


def _complaint(place: str, message: str) -> Complaint:
    return Complaint(Fault.INPUT_SHAPE, place, message)


def _is_uuid(value: object) -> bool:
    return isinstance(value, str) and UUID.fullmatch(value) is not None


def _wrong(entry: object, place: str) -> Iterator[Complaint]:
    if not isinstance(entry, dict):
        yield _complaint(place, "an object is required")
        return
    if set(entry) - _KNOWN - {"extension"}:
        yield _complaint(place, f"known are: {', '.join(sorted(_KNOWN))}")
    if not _is_uuid(entry.get("card")):
        yield _complaint(f"{place}.card", "the uuid of a card is required")
    time = entry.get("outcomeTimestamp")
    if not isinstance(time, str) or not _UTC.fullmatch(time):
        yield _complaint(f"{place}.outcomeTimestamp", "a time of RFC 3339 in UTC is required")
    outcome = entry.get("outcome")
    if outcome not in (ACCEPTED, OVERRIDDEN):
        yield _complaint(f"{place}.outcome", f"{ACCEPTED} or {OVERRIDDEN} is required")
    yield from _wrong_suggestions(entry, outcome, f"{place}.acceptedSuggestions")
    yield from _wrong_reason(entry, outcome, f"{place}.overrideReason")


def _wrong_suggestions(entry: Entry, outcome: object, place: str) -> Iterator[Complaint]:
    accepted = entry.get("acceptedSuggestions")
    if outcome == OVERRIDDEN and "acceptedSuggestions" in entry:
        yield _complaint(place, "a card is accepted or overridden, not both")
    if outcome != ACCEPTED:
        return
    if not isinstance(accepted, list) or not accepted:
        yield _complaint(place, "it is required where a suggestion was accepted")
        return
    for number, one in enumerate(accepted):
        if (
            not isinstance(one, dict)
            or set(one) - {"extension"} != {"id"}
            or not _is_uuid(one["id"])
        ):
            yield _complaint(f"{place}[{number}]", "an object with id, the suggestion's uuid")


def _wrong_reason(entry: Entry, outcome: object, place: str) -> Iterator[Complaint]:
    if "overrideReason" not in entry:
        return
    reason = entry["overrideReason"]
    if outcome == ACCEPTED:
        yield _complaint(place, "a card is accepted or overridden, not both")
    if (
        not isinstance(reason, dict)
        or not reason
        or set(reason) - {"reason", "userComment", "extension"}
    ):
        yield _complaint(place, "an object with reason, userComment or both")
        return
    if "userComment" in reason and not _is_text(reason["userComment"]):
        yield _complaint(f"{place}.userComment", "a text is expected")
    if "reason" in reason and not _is_coding(reason["reason"]):
        yield _complaint(f"{place}.reason", "a Coding with code and system is expected")


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value)


def _is_coding(value: object) -> bool:
    return (
        isinstance(value, dict)
        and {"code", "system"} <= set(value) <= {"code", "system", "display", "extension"}
        and all(_is_text(value[key]) for key in value if key != "extension")
    )


def _reason(entry: Entry) -> str:
    coding = entry.get("overrideReason", {}).get("reason")
    if coding is None:
        return "none"
    ours = coding["system"] == OVERRIDE_REASON_SYSTEM and coding["code"] in OVERRIDE_REASONS
    return str(coding["code"]) if ours else "other"
