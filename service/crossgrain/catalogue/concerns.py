"""What the safety rules look for, by code and by name."""

from collections.abc import Iterator, Mapping
from typing import Any

from crossgrain.catalogue.decoding import Entries, FileForm, Listed, Text, decoded, entries_in
from crossgrain.names.errors import DomainError
from crossgrain.names.numbers import refuse
from crossgrain.reading.codesystems import Atc, Code, Icd10, Loinc, Ndc, RxNorm, Snomed
from crossgrain.reading.concerns import ConcernTable, ConcernTables
from crossgrain.reading.denials import Clause, Denials, Phrase

_SYSTEMS: Mapping[str, tuple[type[Code], tuple[str, ...]]] = {
    "rxnorm": (RxNorm, (RxNorm.system,)),
    "snomed": (Snomed, (Snomed.system,)),
    "atc": (Atc, (Atc.system,)),
    "loinc": (Loinc, (Loinc.system,)),
    "ndc": (Ndc, (Ndc.system,)),
    "icd10": (Icd10, (Icd10.system, "http://hl7.org/fhir/sid/icd-10")),
}


class _Concern(FileForm):
    key: Text
    source: Text = ""
    text: Listed[Text] = ()
    rxnorm: Listed[Text] = ()
    snomed: Listed[Text] = ()
    atc: Listed[Text] = ()
    loinc: Listed[Text] = ()
    ndc: Listed[Text] = ()
    icd10: Listed[Text] = ()


class _Concerns(FileForm):
    condition: Entries | None = None
    allergy: Entries | None = None
    medicine: Entries | None = None
    other: Entries | None = None


def concerns_from(content: Mapping[str, object], denials: Denials | None = None) -> ConcernTables:
    """Check and index the content of the safety codes; `denials` says what a text denies.

    Raises
    ------
    DomainError
        naming the entry and its key: a malformed code, one code with two keys, a key that is not
        known.
    """
    file = decoded(content, _Concerns)
    return ConcernTables(
        *(
            _table(getattr(file, section) or (), section, denials or Denials())
            for section in ("condition", "allergy", "medicine", "other")
        )
    )


def _table(entries: tuple[dict[str, Any], ...], section: str, denials: Denials) -> ConcernTable:
    by_code: dict[str, dict[str, str]] = {}
    stems: dict[str, list[tuple[str, str]]] = {}
    names: dict[Phrase, str] = {}
    for place, entry in entries_in(entries, _Concern, section) if entries else ():
        for spot, system, code in _codes(entry, place):
            if code.endswith("*"):
                stems.setdefault(system, []).append((code[:-1], entry.key))
            elif by_code.setdefault(system, {}).setdefault(code, entry.key) != entry.key:
                refuse(spot, f"a code of {entry.key} already means something else")
        for number, written in enumerate(entry.text, start=1):
            if names.setdefault(Clause.of(written).words, entry.key) != entry.key:
                spot = f"{place}.text[{number}]"
                refuse(spot, f"a name of {entry.key} already means something else")
    by_word: dict[str, tuple[tuple[Phrase, str], ...]] = {}
    for name, key in names.items():
        by_word[name[0]] = (*by_word.get(name[0], ()), (name, key))
    return ConcernTable(by_code, {s: tuple(v) for s, v in stems.items()}, by_word, denials)


def _codes(entry: _Concern, place: str) -> Iterator[tuple[str, str, str]]:
    """Place, system and code."""
    for name, (form, systems) in _SYSTEMS.items():
        for number, written in enumerate(getattr(entry, name), start=1):
            spot = f"{place}.{name}[{number}]"
            in_form(form, written.removesuffix("*"), spot)
            for system in systems:
                yield spot, system, written


def in_form(form: type[Code], written: str, place: str) -> Code:
    """A code, or a refusal by its place where it does not have the form of its system."""
    try:
        return form(written)
    except DomainError as wrong:
        refuse(place, wrong.message)
