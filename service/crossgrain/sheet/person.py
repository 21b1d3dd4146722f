"""Whose sheet it is: what of the record's Patient stands on paper."""

from collections.abc import Iterator, Mapping
from typing import Any

from crossgrain.names.values import frozen

LONGEST = 80
"""Letters of a name or number that are shown; a heading holds no more."""


@frozen
class PatientHeading:
    """What identifies a patient on paper; each is empty where the record does not say."""

    name: str = ""
    born: str = ""
    number: str = ""


NOBODY = PatientHeading()
"""Nothing known: the sheet leaves lines to be filled in by hand."""


def person_in(bundle: Mapping[str, Any]) -> PatientHeading:
    """The Patient of a Bundle that has been read as a record, so has exactly one.

    Anything in it that is not as FHIR has it is left out rather than complained of.
    """
    for entry in _listed(bundle.get("entry")):
        patient = entry.get("resource")
        if isinstance(patient, dict) and patient.get("resourceType") == "Patient":
            return PatientHeading(
                name=_shortened(_name(patient)),
                born=_shortened(_text(patient.get("birthDate"))),
                number=_shortened(next(_numbers(patient), "")),
            )
    return NOBODY


def _name(patient: Mapping[str, Any]) -> str:
    names = list(_listed(patient.get("name")))
    in_use = [name for name in names if name.get("use") == "official"] or names
    for name in in_use:
        given = name.get("given")
        parts = [*(map(_text, given) if isinstance(given, list) else ()), _text(name.get("family"))]
        written = _text(name.get("text")) or " ".join(filter(None, parts))
        if written:
            return written
    return ""


def _numbers(patient: Mapping[str, Any]) -> Iterator[str]:
    return filter(None, (_text(one.get("value")) for one in _listed(patient.get("identifier"))))


def _listed(value: object) -> Iterator[dict[str, Any]]:
    return (one for one in value if isinstance(one, dict)) if isinstance(value, list) else iter(())


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}…"
