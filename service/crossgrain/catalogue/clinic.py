"""What a clinic adds of its own beside numbers: stocked strengths, and expanded ValueSets.

::

    [stock]                                # of the shipped list, only these
    levothyroxine = ["25", "50", "100"]

    [stock.extra]                          # beyond the shipped list, e.g. another country's
    liothyronine = ["10", "20"]

    [stock.scored]                         # of all these, the only ones marked for halving
    liothyronine = ["20"]

The service has no terminology server. ``crossgrain expand`` asks one and writes a file for each
key; the clinic's file names them::

    [[value_set]]
    kind = "condition"
    key = "heart-failure"
    file = "condition-heart-failure.json"

A file holds a FHIR ValueSet with its whole ``expansion``. It is refused where anything in it is not
certain: a part of an expansion would pass for the whole.
"""

import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import msgspec

from crossgrain.catalogue.concerns import in_form
from crossgrain.catalogue.decoding import (
    FileForm,
    Listed,
    Positive,
    Text,
    decoded,
    entries_in,
    in_file,
)
from crossgrain.dosing.preparations import Preparation
from crossgrain.names.numbers import refuse
from crossgrain.names.values import frozen
from crossgrain.reading.codesystems import FORMS, Snomed, system_meant
from crossgrain.reading.concerns import ConcernTable, ConcernTables

EXTRA = "extra"
SCORED = "scored"


def stocked(
    preparations: Mapping[str, Preparation], stock: Mapping[str, object]
) -> dict[str, Preparation]:
    """The preparations with the strengths that a clinic stocks.

    A strength that is not on the shipped list is taken for a slip unless it stands under
    ``extra``, where the clinic vouches for it. It also says there which tablets are scored, where
    its makers' differ from those of the shipped list. A preparation that the clinic does not name
    keeps its strengths.

    Raises
    ------
    DomainError
        ``invalid``, its field the place in the clinic's file, e.g.
        ``stock.levothyroxine[2]``.
    """
    named = {key: value for key, value in stock.items() if key not in {EXTRA, SCORED}}
    listed = _strengths(named, "stock", preparations)
    extra, scored = (
        _strengths(decoded(stock.get(key, {}), dict[str, Any], place), place, preparations)
        for key, place in ((EXTRA, f"stock.{EXTRA}"), (SCORED, f"stock.{SCORED}"))
    )
    changed = dict(preparations)
    for preparation_id in dict.fromkeys([*listed, *extra, *scored]):
        shipped = preparations[preparation_id]
        strengths = shipped.strengths
        if preparation_id in listed:
            strengths = _marketed(shipped, listed[preparation_id])
        if preparation_id in extra:
            strengths += _beyond_the_list(shipped, extra[preparation_id], preparations)
        halved = shipped.scored & set(strengths)
        if preparation_id in scored:
            halved = _scored(preparation_id, scored[preparation_id], strengths)
        changed[preparation_id] = replace(
            shipped, strengths=tuple(sorted(strengths)), scored=halved
        )
    return changed


Strengths = tuple[Fraction, ...]


def _strengths(
    entries: Mapping[str, object], place: str, preparations: Mapping[str, Preparation]
) -> dict[str, Strengths]:
    """The strengths that a table names, by preparation; each once."""
    read: dict[str, Strengths] = {}
    for preparation_id, written in entries.items():
        spot = f"{place}.{preparation_id}"
        if preparation_id not in preparations:
            known = ", ".join(sorted(preparations))
            refuse(spot, f"no preparation has this id; there are {known}")
        strengths = decoded(written, Listed[Positive], spot)
        for number, strength in enumerate(strengths, start=1):
            if strength in strengths[: number - 1]:
                refuse(f"{spot}[{number}]", "this strength stands twice")
        read[preparation_id] = strengths
    return read


def _scored(preparation_id: str, marked: Strengths, strengths: Strengths) -> frozenset[Fraction]:
    for number, strength in enumerate(marked, start=1):
        if strength not in strengths:
            refuse(f"stock.{SCORED}.{preparation_id}[{number}]", "this strength is not stocked")
    return frozenset(marked)


def _marketed(preparation: Preparation, strengths: Strengths) -> Strengths:
    for number, strength in enumerate(strengths, start=1):
        if strength not in preparation.strengths:
            refuse(
                f"stock.{preparation.id}[{number}]",
                f"{preparation.name} is not listed in this strength; if it is stocked,"
                f" name it under [stock.{EXTRA}]",
            )
    return strengths


def _beyond_the_list(
    preparation: Preparation, strengths: Strengths, preparations: Mapping[str, Preparation]
) -> Strengths:
    place = f"stock.{EXTRA}.{preparation.id}"
    for number, strength in enumerate(strengths, start=1):
        if strength in preparation.strengths:
            refuse(f"{place}[{number}]", "this strength is on the list; name it under [stock]")
        for other in preparations.values():
            if other.mg_per_grain and preparation.mg_per_grain and strength in other.strengths:
                refuse(
                    f"{place}[{number}]",
                    f"this is a strength of {other.name}; the two families never mix",
                )
    return strengths


KINDS = {"condition": "conditions", "allergy": "allergies", "medicine": "medicines"}
"""Section of the safety codes → the table that it becomes."""
_CUT_SHORT = (
    "http://hl7.org/fhir/StructureDefinition/valueset-toocostly",
    "http://hl7.org/fhir/StructureDefinition/valueset-unclosed",
)
Concept = tuple[str, str]
"""System and code."""


class _NamedSet(FileForm):
    """An entry of the clinic's file."""

    kind: Literal["condition", "allergy", "medicine"]
    key: Text
    file: Text


class _Extension(msgspec.Struct):
    url: str = ""


class _Contained(msgspec.Struct):
    """As FHIR has it, so what is not looked for here may stand in it."""

    system: Text | None = None
    code: Text | None = None
    abstract: bool = False
    contains: Listed[Any] | None = None


class _Expansion(msgspec.Struct):
    contains: Listed[Any]
    extension: tuple[_Extension, ...] = ()
    offset: int = 0
    total: int | None = None


class _ValueSet(msgspec.Struct):
    expansion: _Expansion


@frozen
class Root:
    """What is to be expanded: the concepts that a key stands for, and all below them."""

    kind: str
    key: str
    codes: tuple[str, ...]

    @property
    def file(self) -> str:
        """What its file is called."""
        return f"{self.kind}-{self.key}.json"


def roots_of(concerns: ConcernTables) -> tuple[Root, ...]:
    """Every key that stands for SNOMED CT concepts, with their codes."""
    found: dict[tuple[str, str], list[str]] = {}
    for kind, name in KINDS.items():
        concepts: ConcernTable = getattr(concerns, name)
        for code, key in concepts.by_code.get(Snomed.system, {}).items():
            found.setdefault((kind, key), []).append(code)
    return tuple(Root(kind, key, tuple(codes)) for (kind, key), codes in found.items())


def with_value_sets(concerns: ConcernTables, entries: object, folder: Path) -> ConcernTables:
    """The tables with the concepts of a deployer's expansions in them.

    A concept that several sets hold is that of the narrowest: where the set of one key holds a
    concept that another key stands for, the other's is the narrower. A code that the shipped
    tables know keeps its meaning.

    Raises
    ------
    DomainError
        ``invalid``; the field is the place, e.g.
        ``value_set[2].file, a.json: expansion.contains[7].code``.
    """
    sets = _Sets()
    for place, entry in entries_in(entries, _NamedSet, "value_set"):
        sets.add(entry, place, folder, concerns)
    widened = {
        KINDS[kind]: replace(getattr(concerns, KINDS[kind]), below=sets.below(kind, concerns))
        for kind in KINDS
    }
    return replace(concerns, **widened)


@dataclass(slots=True)
class _Sets:
    """Kind → key → the concepts of its set."""

    read: dict[str, dict[str, frozenset[Concept]]] = field(default_factory=dict)

    def add(self, entry: _NamedSet, place: str, folder: Path, concerns: ConcernTables) -> None:
        if entry.key not in getattr(concerns, KINDS[entry.kind]).keys:
            refuse(f"{place}.key", f"no rule looks for a {entry.kind} of this key")
        of_kind = self.read.setdefault(entry.kind, {})
        if entry.key in of_kind:
            refuse(f"{place}.key", "this key stands twice")
        with in_file(f"{place}.file, {entry.file}"):
            of_kind[entry.key] = frozenset(concepts_in(_parsed(folder / entry.file)))

    def below(self, kind: str, concerns: ConcernTables) -> dict[str, dict[str, tuple[str, ...]]]:
        """System → code → the keys of the narrowest sets that hold it."""
        sets = self.read.get(kind, {})
        shipped: ConcernTable = getattr(concerns, KINDS[kind])
        stands_for: dict[str, set[Concept]] = {}
        for system, codes in shipped.by_code.items():
            for code, key in codes.items():
                stands_for.setdefault(key, set()).add((system, code))
        narrower = {
            wide: {key for key in sets if key != wide and stands_for.get(key, set()) & sets[wide]}
            for wide in sets
        }
        found: dict[str, dict[str, tuple[str, ...]]] = {}
        for system, code in sorted(frozenset().union(*sets.values())):
            holding = [key for key, held in sets.items() if (system, code) in held]
            keys = tuple(key for key in holding if narrower[key].isdisjoint(holding)) or holding
            found.setdefault(system, {})[code] = tuple(keys)
        return found


def concepts_in(value_set: Mapping[str, object]) -> Iterator[Concept]:
    """The concepts of a ValueSet's expansion, each checked by the form of its system.

    Raises
    ------
    DomainError
        where it is no ValueSet, is not expanded or not to the end, or holds what cannot be a code.
    """
    if value_set.get("resourceType") != "ValueSet":
        refuse("", "this is not a FHIR ValueSet")
    expansion = decoded(value_set, _ValueSet).expansion
    if any(extension.url in _CUT_SHORT for extension in expansion.extension):
        refuse("expansion", "the server did not expand it to the end")
    found = list(_contained(expansion.contains, "expansion.contains"))
    total = len(found) if expansion.total is None else expansion.total
    if expansion.offset or total != len(found):
        refuse("expansion", f"it holds {len(found)} of {total} concepts: a part is not the whole")
    yield from found


def _contained(contains: object, place: str) -> Iterator[Concept]:
    for spot, entry in entries_in(contains, _Contained, place):
        if entry.code is not None or not entry.abstract:
            yield _concept(entry, spot)
        if entry.contains is not None:
            yield from _contained(entry.contains, f"{spot}.contains")


def _concept(entry: _Contained, place: str) -> Concept:
    if entry.system is None or entry.code is None:
        missing = "code" if entry.code is None and entry.system else "system"
        refuse(f"{place}.{missing}", f"{missing} is missing")
    system = system_meant(entry.system)
    if system not in FORMS:
        refuse(f"{place}.system", f"a code system is one of {', '.join(FORMS)}")
    return system, in_form(FORMS[system], entry.code, f"{place}.code").value


def _parsed(path: Path) -> Mapping[str, object]:
    try:
        return decoded(json.loads(path.read_bytes()), dict[str, Any])
    except OSError as wrong:
        refuse("", f"the file cannot be read: {wrong.strerror}")
    except (ValueError, RecursionError):
        refuse("", "the file is not JSON")


def to_be_written(root: Root, concepts: Collection[Mapping[str, object]]) -> dict[str, object]:
    """The ValueSet of a key as a file holds it: the concepts in the order of their codes."""
    ordered = sorted(concepts, key=lambda one: (str(one.get("system")), str(one.get("code"))))
    return {
        "resourceType": "ValueSet",
        "status": "active",
        "name": f"{root.kind}-{root.key}",
        "compose": compose(root),
        "expansion": {"total": len(ordered), "contains": ordered},
    }


def compose(root: Root) -> dict[str, object]:
    """What a terminology server is asked for: each concept and all below it."""
    return {
        "include": [
            {
                "system": Snomed.system,
                "filter": [{"property": "concept", "op": "is-a", "value": code}],
            }
            for code in root.codes
        ]
    }
