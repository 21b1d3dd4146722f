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

from crossgrain.dosing.preparations import Preparation
from crossgrain.names.errors import DomainError
from crossgrain.names.numbers import (
    listed,
    only_known_keys,
    positive_number,
    refuse,
    required,
    table,
    text,
)
from crossgrain.reading.codesystems import SYSTEMS, Code, Snomed, system_meant
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
    listed_here = {key: value for key, value in stock.items() if key not in {EXTRA, SCORED}}
    extra = table(stock.get(EXTRA, {}), f"stock.{EXTRA}")
    scored = table(stock.get(SCORED, {}), f"stock.{SCORED}")
    changed = dict(preparations)
    for preparation_id in dict.fromkeys([*listed_here, *extra, *scored]):
        if preparation_id not in preparations:
            under = next(
                place
                for place, named in (
                    ("stock", listed_here),
                    (f"stock.{EXTRA}", extra),
                    (f"stock.{SCORED}", scored),
                )
                if preparation_id in named
            )
            refuse(f"{under}.{preparation_id}", "no preparation has this id")
        shipped = preparations[preparation_id]
        strengths = shipped.strengths
        if preparation_id in listed_here:
            strengths = _marketed(shipped, listed_here[preparation_id])
        if preparation_id in extra:
            strengths += _beyond_the_list(shipped, extra[preparation_id], preparations)
        halved = shipped.scored & set(strengths)
        if preparation_id in scored:
            halved = _scored(scored[preparation_id], strengths, preparation_id)
        changed[preparation_id] = replace(
            shipped, strengths=tuple(sorted(strengths)), scored=frozenset(halved)
        )
    return changed


def _scored(
    written: object, strengths: tuple[Fraction, ...], preparation_id: str
) -> frozenset[Fraction]:
    place = f"stock.{SCORED}.{preparation_id}"
    marked = _strengths(written, place)
    for number, strength in enumerate(marked, start=1):
        if strength not in strengths:
            refuse(f"{place}[{number}]", "this strength is not stocked")
    return frozenset(marked)


def _marketed(preparation: Preparation, written: object) -> tuple[Fraction, ...]:
    place = f"stock.{preparation.id}"
    strengths = _strengths(written, place)
    for number, strength in enumerate(strengths, start=1):
        if strength not in preparation.strengths:
            refuse(
                f"{place}[{number}]",
                f"{preparation.name} is not listed in this strength; if it is stocked,"
                f" name it under [stock.{EXTRA}]",
            )
    return strengths


def _beyond_the_list(
    preparation: Preparation, written: object, preparations: Mapping[str, Preparation]
) -> tuple[Fraction, ...]:
    place = f"stock.{EXTRA}.{preparation.id}"
    strengths = _strengths(written, place)
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


def _strengths(written: object, place: str) -> tuple[Fraction, ...]:
    strengths: list[Fraction] = []
    for number, value in enumerate(listed(written, place), start=1):
        strength = positive_number(value, f"{place}[{number}]")
        if strength in strengths:
            refuse(f"{place}[{number}]", "this strength stands twice")
        strengths.append(strength)
    return tuple(strengths)


KINDS = {"condition": "conditions", "allergy": "allergies", "medicine": "medicines"}
"""Section of the safety codes → the table that it becomes."""
_FORMS: Mapping[str, type[Code]] = {form.system: form for form in SYSTEMS}
_CUT_SHORT = (
    "http://hl7.org/fhir/StructureDefinition/valueset-toocostly",
    "http://hl7.org/fhir/StructureDefinition/valueset-unclosed",
)
Concept = tuple[str, str]
"""System and code."""


@dataclass(frozen=True, slots=True)
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
        ``invalid``; the field is the place, e.g. ``value_set[2].file.expansion.contains[7].code``.
    """
    sets = _Sets()
    for number, raw in enumerate(listed(entries, "value_set"), start=1):
        sets.add(table(raw, f"value_set[{number}]"), f"value_set[{number}]", folder, concerns)
    widened = {
        KINDS[kind]: replace(getattr(concerns, KINDS[kind]), below=sets.below(kind, concerns))
        for kind in KINDS
    }
    return replace(concerns, **widened)


@dataclass(slots=True)
class _Sets:
    """Kind → key → the concepts of its set."""

    read: dict[str, dict[str, frozenset[Concept]]] = field(default_factory=dict)

    def add(
        self, entry: Mapping[str, object], place: str, folder: Path, concerns: ConcernTables
    ) -> None:
        only_known_keys(entry, ("kind", "key", "file"), place)
        kind, key = text(entry, "kind", place), text(entry, "key", place)
        if kind not in KINDS:
            refuse(f"{place}.kind", f"a kind is one of {', '.join(KINDS)}")
        if key not in getattr(concerns, KINDS[kind]).keys:
            refuse(f"{place}.key", f"no rule looks for a {kind} of this key")
        of_kind = self.read.setdefault(kind, {})
        if key in of_kind:
            refuse(f"{place}.key", "this key stands twice")
        place = f"{place}.file"
        of_kind[key] = frozenset(
            concepts_in(_parsed(folder / text(entry, "file", place), place), place)
        )

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


def concepts_in(value_set: Mapping[str, object], place: str) -> Iterator[Concept]:
    """The concepts of a ValueSet's expansion, each checked by the form of its system.

    Raises
    ------
    DomainError
        where it is no ValueSet, is not expanded or not to the end, or holds what cannot be a code.
    """
    if value_set.get("resourceType") != "ValueSet":
        refuse(place, "this is not a FHIR ValueSet")
    expansion = table(required(value_set, "expansion", place), f"{place}.expansion")
    place = f"{place}.expansion"
    extensions = expansion.get("extension") or []
    for extension in extensions if isinstance(extensions, list) else []:
        if isinstance(extension, dict) and extension.get("url") in _CUT_SHORT:
            refuse(place, "the server did not expand it to the end")
    found = list(_contained(required(expansion, "contains", place), f"{place}.contains"))
    total = expansion.get("total", len(found))
    if expansion.get("offset", 0) != 0 or total != len(found):
        refuse(place, f"it holds {len(found)} of {total} concepts: a part is not the whole")
    yield from found


def _contained(contains: object, place: str) -> Iterator[Concept]:
    for number, raw in enumerate(listed(contains, place), start=1):
        spot = f"{place}[{number}]"
        entry = table(raw, spot)
        if "code" in entry or not entry.get("abstract"):
            yield _concept(entry, spot)
        if "contains" in entry:
            yield from _contained(entry["contains"], f"{spot}.contains")


def _concept(entry: Mapping[str, object], place: str) -> Concept:
    system, code = system_meant(text(entry, "system", place)), text(entry, "code", place)
    if system not in _FORMS:
        refuse(f"{place}.system", f"a code system is one of {', '.join(_FORMS)}")
    try:
        _FORMS[system](code)
    except DomainError as wrong:
        refuse(f"{place}.code", wrong.message)
    return system, code


def _parsed(path: Path, place: str) -> Mapping[str, object]:
    try:
        return table(json.loads(path.read_bytes()), place)
    except OSError as wrong:
        refuse(place, f"the file cannot be read: {wrong.strerror}")
    except (ValueError, RecursionError):
        refuse(place, "the file is not JSON")


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
