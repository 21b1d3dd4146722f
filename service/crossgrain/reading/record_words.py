"""What a resource calls its medicine and says in words: the record's own, to be shown as such."""

from collections.abc import Iterator, Mapping
from typing import Any

from crossgrain.reading.clear import dosage_list

MOST_WORDS = 300
"""Characters of the record's own words that a question shows of one instruction."""


def medicine_of(resource: Mapping[str, Any]) -> str:
    """What a resource calls its medicine."""
    held = resource.get("medicationCodeableConcept") or resource.get("medication") or {}
    held = held.get("concept", held) if isinstance(held, dict) else {}
    reference = resource.get("medicationReference") or held.get("reference")
    if isinstance(reference, dict) and isinstance(reference.get("display"), str):
        return str(reference["display"])
    codings: list[Any] = held["coding"] if isinstance(held.get("coding"), list) else []
    said = [held.get("text"), *(c.get("display") for c in codings if isinstance(c, dict))]
    said += [c.get("code") for c in codings if isinstance(c, dict)]
    return next((words for words in said if isinstance(words, str) and words), "")


def words_of(resource: Mapping[str, Any]) -> Iterator[str]:
    """What its dosages and its notes say in words, each cut to a length that can be shown."""
    dosages = resource.get(dosage_list(resource))
    said: list[Any] = []
    for dosage in dosages if isinstance(dosages, list) else ():
        if isinstance(dosage, dict):
            said += [dosage.get("text"), dosage.get("patientInstruction")]
    said.append(resource.get("renderedDosageInstruction"))
    notes = resource.get("note")
    said += (
        [note.get("text") for note in notes if isinstance(note, dict)]
        if isinstance(notes, list)
        else []
    )
    kept = (words for words in said if isinstance(words, str) and words.strip())
    yield from dict.fromkeys(words.strip()[:MOST_WORDS] for words in kept)
