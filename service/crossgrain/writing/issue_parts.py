"""What every DetectedIssue says in the same way, be it of a plan or of a past switch."""

from typing import Any

from crossgrain.writing.narrative import plain


def own_concept(system: str, code: str) -> dict[str, Any]:
    """A code of our own, whose words are its display."""
    words = code.replace("-", " ")
    return {"coding": [{"system": system, "code": code, "display": words}], "text": words}


def proposed_act(act: str) -> list[dict[str, Any]]:
    """What to do, under `mitigation`.

    That element is defined as what has been done, so the words must not pass for that.
    """
    return [{"action": {"text": plain(f"Proposed, not yet done: {act}")}}]
