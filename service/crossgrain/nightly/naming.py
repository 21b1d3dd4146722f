"""How a patient is named on the worklist: by reference alone, unless the deployer allows more.

Of the record nothing is kept for this but what was allowed, and only of patients who are listed.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from typing import Any
from urllib.parse import quote, urlsplit

import msgspec

from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen
from crossgrain.operations.faults import did_you_mean
from crossgrain.reading.resolve import local


class Shown(StrEnum):
    """What may stand on the worklist beside the reference."""

    NAME = "name"
    RECORD_NUMBER = "record-number"
    BIRTH_DATE = "birth-date"


class PatientNamed(msgspec.Struct, omit_defaults=True, frozen=True):
    """A patient as the worklist names them; what was not allowed, or is not there, is empty."""

    name: str = ""
    record_number: str = ""
    birth_date: str = ""


MOST_CHARACTERS = 120
"""Of one name on the page: more is no name, and would push the row apart."""
_IDENTIFIER_TYPES = "http://terminology.hl7.org/CodeSystem/v2-0203"
_MEDICAL_RECORD_NUMBER = "MR"
_USES = ("official", "usual", None, "temp", "nickname", "anonymous")
"""Names in the order in which one is taken (HumanName.use); old and maiden names never."""


@frozen
class Naming:
    """What the deployer allows.

    Attributes
    ----------
    shown : nothing, unless given
    record_system : `Identifier.system` of the record number; empty for whatever is typed ``MR``
    """

    shown: frozenset[Shown] = frozenset()
    record_system: str = ""

    def of(self, resources: Iterable[Mapping[str, Any]]) -> PatientNamed:
        """The patient among the resources, by what is allowed."""
        if not self.shown:
            return PatientNamed()
        patient = next((r for r in resources if r.get("resourceType") == "Patient"), {})
        asked = {
            "name": (Shown.NAME, _name),
            "record_number": (Shown.RECORD_NUMBER, self._record_number),
            "birth_date": (Shown.BIRTH_DATE, lambda p: _text(p.get("birthDate"))),
        }
        return PatientNamed(
            **{field: read(patient) for field, (what, read) in asked.items() if what in self.shown}
        )

    def _record_number(self, patient: Mapping[str, Any]) -> str:
        """Every number that holds; two different ones are both shown."""
        numbers = [
            _text(one.get("value"))
            for one in _structs(patient.get("identifier"))
            if one.get("use") != "old" and self._is_record_number(one)
        ]
        return " / ".join(dict.fromkeys(filter(None, numbers)))[:MOST_CHARACTERS]

    def _is_record_number(self, identifier: Mapping[str, Any]) -> bool:
        if self.record_system:
            return bool(identifier.get("system") == self.record_system)
        kind = identifier.get("type")
        return isinstance(kind, dict) and any(
            coding.get("code") == _MEDICAL_RECORD_NUMBER
            and coding.get("system") == _IDENTIFIER_TYPES
            for coding in _structs(kind.get("coding"))
        )


BY_REFERENCE = Naming()
"""By reference alone: what holds unless the deployer says otherwise."""


def _name(patient: Mapping[str, Any]) -> str:
    names = [n for n in _structs(patient.get("name")) if n.get("use") in _USES]
    ordered = sorted(names, key=lambda name: _USES.index(name.get("use")))
    return next(filter(None, map(_name_words, ordered)), "")


def _name_words(name: Mapping[str, Any]) -> str:
    """Family name first, as worklists are read; else the name as it is written."""
    given = name.get("given")
    first = " ".join(filter(None, map(_text, given if isinstance(given, list) else ())))
    parts = filter(None, (_text(name.get("family")), first))
    return (", ".join(parts) or _text(name.get("text")))[:MOST_CHARACTERS]


def _structs(value: object) -> Iterator[Mapping[str, Any]]:
    """The objects of a list, whatever else a broken record holds there."""
    return (one for one in (value if isinstance(value, list) else ()) if isinstance(one, dict))


def _text(value: object) -> str:
    return " ".join(value.split())[:MOST_CHARACTERS] if isinstance(value, str) else ""


ID = "{id}"
"""Stands in a link's template for the patient's logical id."""
_LOGICAL_ID = re.compile(r"(?=.*[A-Za-z0-9])[A-Za-z0-9\-.]{1,64}")
"""What FHIR allows (R4, datatype id), but for dots alone, which lead elsewhere in an address."""
_NOT_IN_AN_ADDRESS = re.compile(r"[\s<>\"'`\\^|\x00-\x1f\x7f]")


def checked_template(template: str) -> str:
    """The template of a link to a patient's chart.

    Raises
    ------
    DomainError
        where it is no http or https address, or lacks its one ``{id}``.
    """
    try:
        parts = urlsplit(template)
        host = parts.hostname
    except ValueError:
        raise _refused("--link", "this address cannot be read") from None
    if parts.scheme not in {"http", "https"} or not host or ID in parts.netloc:
        raise _refused("--link", "give an http or https address: https://ehr.example/p/{id}")
    if parts.username is not None or _NOT_IN_AN_ADDRESS.search(template):
        raise _refused("--link", "leave out user name, password, spaces and quotation marks")
    rest = template.replace(ID, "", 1)
    if ID not in template or "{" in rest or "}" in rest:
        raise _refused("--link", "put {id} once, where the patient's id goes, and no other brace")
    return template


def chart_link(template: str | None, patient: str) -> str:
    """Where a patient's chart opens; empty without a template, or for what is no FHIR id.

    >>> chart_link("https://ehr.example/chart/{id}", "Patient/p8")
    'https://ehr.example/chart/p8'
    """
    kind, _, own = local(patient).partition("/")
    if template is None or kind != "Patient" or not _LOGICAL_ID.fullmatch(own):
        return ""
    return template.replace(ID, quote(own, safe=""))


def shown_from(words: Sequence[str]) -> frozenset[Shown]:
    """What is shown, from the words of a call.

    Raises
    ------
    DomainError
        for a word that is none of them.
    """
    for word in words:
        if word not in set(Shown):
            raise _refused("--show", f"is one of: {', '.join(Shown)}{did_you_mean(word, Shown)}")
    return frozenset(map(Shown, words))


def _refused(option: str, words: str) -> DomainError:
    return DomainError(Category.INVALID, option, words)
