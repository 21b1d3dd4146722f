"""The code tables' files, read and checked entry by entry.

``data/codes.toml`` holds what is shipped, ``data/safety_codes.toml`` what the safety rules look
for. A deployer's own file may add ``[[product]]`` entries (NDC and other codes, or any other
``system`` and ``code``) and ``[[alias]]`` entries (names by which its products are known, with
``{strength}`` where several strengths share one)::

    [[product]]
    ndc = ["00000-0000-00"]
    preparation = "levothyroxine"
    strength = "75"
    display = "levothyroxine sodium 75 µg tablet"
    source = "our formulary"

    [[alias]]
    text = "our house name 75"
    preparation = "levothyroxine"
    strength = "75"

    [[alias]]
    text = "our blue {strength} microgram tablets"
    preparation = "levothyroxine"
    strengths = ["25", "50"]

    [[other]]
    text = "our house name for what is no thyroid hormone"
    source = "our formulary"

A ``[[product_file]]`` names another file of such entries, as ``crossgrain import`` writes it.
"""

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any, Literal, NamedTuple

from crossgrain.catalogue.aliases import AliasEntry, Names
from crossgrain.catalogue.concerns import in_form
from crossgrain.catalogue.decoding import (
    Entries,
    Exact,
    FileForm,
    Listed,
    Positive,
    Text,
    decoded,
    entries_in,
)
from crossgrain.catalogue.numbers import grain_from
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.targets import combining_from
from crossgrain.names.numbers import Numbers, refuse
from crossgrain.reading.code_tables import (
    CodedDrug,
    CodeTables,
    LabCode,
    LabUnit,
    MedicineCode,
    Plausible,
    believed_from,
    unit_spelling,
)
from crossgrain.reading.codesystems import (
    FORMS,
    SYSTEMS,
    Atc,
    Code,
    Loinc,
    Ndc,
    RxNorm,
    Snomed,
    system_meant,
)
from crossgrain.reading.concerns import ConcernTables
from crossgrain.reading.elements import Asked
from crossgrain.reading.hearing import Phrasebook
from crossgrain.reading.hormone_names import folded
from crossgrain.reading.names import read_product_words, with_words
from crossgrain.reading.own_names import STRENGTH, name_in_file
from crossgrain.reading.product import Product
from crossgrain.safety.facts import Analyte

_KEYS: Mapping[str, type[Code]] = {"rxnorm": RxNorm, "snomed": Snomed, "atc": Atc, "ndc": Ndc}
_Codes = str | int | Listed[str | int]
_Entries = tuple[dict[str, Any], ...]


class _Coded(FileForm):
    rxnorm: _Codes = ()
    snomed: _Codes = ()
    atc: _Codes = ()
    ndc: _Codes = ()


class _Ingredient(_Coded, kw_only=True):
    kind: Kind
    display: Text
    source: Text
    written: bool = True


class _Elsewhere(_Coded):
    """What may also be known by a code of any other system."""

    system: Text | None = None
    code: Text | None = None


class ProductEntry(_Elsewhere, kw_only=True):
    """A product and its codes."""

    preparation: Text
    display: Text
    source: Text
    strength: Positive | None = None
    per_ml: Positive | None = None


class _Other(_Elsewhere):
    text: Text | None = None
    source: Text = ""


class _Lab(FileForm):
    loinc: Text
    analyte: Analyte
    kind: Text
    display: Text
    source: Text


class _LabName(FileForm):
    name: Text
    spelled: Listed[Text]
    source: Text


class _Unit(FileForm):
    counts: Literal["arbitrary", "mass", "moles", "rate", "weight"]
    ucum: Text
    factor: Positive
    spelled: Listed[Text]
    source: Text


class _Plausible(FileForm):
    kind: Kind
    unit: Text
    low: Exact
    high: Exact
    source: Text


class _Shipped(FileForm):
    ingredient: Entries
    drug: Entries
    product: Entries
    lab: Entries
    lab_name: Entries
    unit: Entries
    plausible: Entries


class OwnProducts(NamedTuple):
    """The ``[[product]]``, ``[[alias]]`` and ``[[other]]`` tables of a deployer's file."""

    product: _Entries = ()
    alias: _Entries = ()
    other: _Entries = ()


def code_tables_from(
    shipped: Mapping[str, object],
    preparations: Mapping[str, Preparation],
    *,
    numbers: Numbers,
    phrases: Phrasebook,
    concerns: ConcernTables | None = None,
) -> CodeTables:
    """Build the tables from the content of ``codes.toml``.

    Parameters
    ----------
    preparations : by id; every code names one of them or a kind
    numbers : the clinical numbers by key
    phrases : what stands beside a dose in instructions
    concerns : what the safety rules look for

    Raises
    ------
    DomainError
        naming the entry and its key, for a malformed code, an unknown preparation, or one code
        with two meanings.
    """
    file = decoded(shipped, _Shipped)
    draft = _Draft(preparations)
    draft.add_ingredients(file.ingredient)
    draft.add_products(file.drug, "drug", written=True)
    draft.add_products(file.product, "product", written=False)
    return CodeTables(
        medicines=draft.medicines,
        labs=_labs(file.lab),
        lab_names=_lab_names(file.lab_name),
        lab_units=_lab_units(file.unit),
        believed=believed_from(numbers),
        plausible=_plausible(file.plausible, preparations),
        phrases=phrases,
        content=grain_from(numbers),
        combining=combining_from(numbers),
        concerns=concerns or ConcernTables(),
        written=draft.written,
    )


def with_products(
    codes: CodeTables, own: OwnProducts, preparations: Mapping[str, Preparation]
) -> CodeTables:
    """The tables with a deployer's own products in them.

    Raises
    ------
    DomainError
        as `code_tables_from`, and for a name or a code that already means something else.
    """
    draft = _Draft(preparations, {system: dict(known) for system, known in codes.medicines.items()})
    draft.names = Names(dict(codes.aliases.whole), list(codes.aliases.patterns))
    draft.names.leads.update(codes.aliases.leads)
    draft.no_hormone.update(codes.no_hormone)
    draft.other_codes.update((system, set(held)) for system, held in codes.other_codes.items())
    draft.add_products(own.product, "product", written=False, clinics=True)
    draft.add_aliases(own.alias)
    draft.add_others(own.other)
    return replace(
        codes,
        medicines=draft.medicines,
        aliases=draft.names.table(),
        no_hormone=draft.no_hormone,
        other_codes=draft.other_codes,
    )


class _Draft:
    """The medicine tables while they are being filled."""

    def __init__(
        self,
        preparations: Mapping[str, Preparation],
        medicines: dict[str, dict[str, MedicineCode]] | None = None,
    ) -> None:
        self.preparations = preparations
        self.medicines = medicines or {system.system: {} for system in SYSTEMS}
        self.written: dict[tuple[str, Fraction | None], CodedDrug] = {}
        self.names = Names()
        self.no_hormone: set[str] = set()
        self.other_codes: dict[str, set[str]] = {}

    def add_ingredients(self, entries: _Entries) -> None:
        for place, entry in entries_in(entries, _Ingredient, "ingredient"):
            meaning = MedicineCode(entry.kind, entry.display)
            for spot, code in _some(_codes(entry, place), place):
                self._put(code.system, code.value, meaning, spot)
                if isinstance(code, RxNorm) and entry.written:
                    self.written.setdefault((entry.kind, None), CodedDrug(code, meaning.display))

    def add_products(
        self, entries: _Entries, section: str, *, written: bool, clinics: bool = False
    ) -> None:
        for place, entry in entries_in(entries, ProductEntry, section) if entries else ():
            meaning = self._product(entry, entry.display, place)
            if clinics:
                refuse_words_against(meaning, entry.display, self.preparations, f"{place}.display")
            elsewhere = _elsewhere(entry, place)
            codes = _codes(entry, place)
            for spot, code in codes if elsewhere else _some(codes, place):
                self._put(code.system, code.value, meaning, spot)
                if written and isinstance(code, RxNorm) and meaning.strength:
                    key = (entry.preparation, meaning.strength)
                    self.written.setdefault(key, CodedDrug(code, meaning.display))
            if elsewhere:
                self._put(*elsewhere, meaning, f"{place}.code")

    def add_aliases(self, entries: _Entries) -> None:
        for place, entry in entries_in(entries, AliasEntry, "alias") if entries else ():
            meaning = self._product(entry, entry.display or entry.text.strip(), place)
            if STRENGTH in entry.text:
                self.names.add_pattern(entry, meaning, place)
                continue
            if entry.strengths:
                refuse(f"{place}.strengths", f"the name has no {STRENGTH}: give `strength`")
            refuse_words_against(meaning, entry.text, self.preparations, f"{place}.text")
            self.names.add(entry.text, meaning, place)

    def add_others(self, entries: _Entries) -> None:
        """What a clinic says is no thyroid hormone, by whole name or by code."""
        for place, entry in entries_in(entries, _Other, "other") if entries else ():
            if entry.text is not None:
                name = folded(entry.text).strip()
                if name_in_file(entry.text) in self.names.whole:
                    refuse(f"{place}.text", "this name already means a thyroid hormone")
                self.no_hormone.add(name)
            elsewhere = _elsewhere(entry, place)
            codes = _codes(entry, place)
            named = entry.text is not None or elsewhere
            for spot, code in codes if named else _some(codes, place):
                self._no_hormone(code.system, code.value, spot)
            if elsewhere:
                self._no_hormone(*elsewhere, f"{place}.code")

    def _no_hormone(self, system: str, code: str, place: str) -> None:
        if code in self.medicines.get(system, ()):
            refuse(place, "this code already means a thyroid hormone")
        self.other_codes.setdefault(system, set()).add(code)

    def _product(self, entry: ProductEntry | AliasEntry, display: str, place: str) -> MedicineCode:
        if entry.preparation not in self.preparations:
            known = ", ".join(sorted(self.preparations))
            refuse(f"{place}.preparation", f"there is no such preparation; there are {known}")
        if entry.strength and entry.per_ml:
            refuse(f"{place}.per_ml", "a product has a strength or a content of one mL, not both")
        preparation = self.preparations[entry.preparation]
        if entry.per_ml and preparation.unit != "ug":
            refuse(f"{place}.per_ml", "this preparation has no solution")
        return MedicineCode(preparation.kind, display, preparation, entry.strength, entry.per_ml)

    def _put(self, system: str, code: str, meaning: MedicineCode, place: str) -> None:
        """Keep what a code means; a fuller meaning of one product line takes its place."""
        known = self.medicines.setdefault(system, {})
        before = known.setdefault(code, meaning)
        if not before.leaves_room_for(meaning):
            refuse(place, "this code already means something else")
        if not before.means_the_same(meaning):
            known[code] = meaning


def refuse_words_against(
    meaning: MedicineCode, words: str, preparations: Mapping[str, Preparation], place: str
) -> None:
    """A name that says another hormone or strength than its entry is a slip in one of them.

    Raises
    ------
    DomainError
        ``invalid``, at `place`.
    """
    named = read_product_words(words)
    if named.kinds and named.product_kinds != {meaning.kind}:
        refuse(place, f"this names {' and '.join(sorted(named.kinds))}, and no {meaning.kind}")
    product = Product(meaning.kind, meaning.preparation, meaning.strength, per_ml=meaning.per_ml)
    try:
        with_words(product, [named], True, preparations, place)
    except Asked:
        refuse(place, "this says another strength than the entry")


def _codes(entry: _Coded, place: str) -> list[tuple[str, Code]]:
    """The codes of an entry, each with its place."""
    found: list[tuple[str, Code]] = []
    for key, form in _KEYS.items():
        value: _Codes = getattr(entry, key)
        spot = f"{place}.{key}"
        if not isinstance(value, tuple):
            found.append((spot, in_form(form, str(value), spot)))
            continue
        for number, written in enumerate(value, start=1):
            at = f"{spot}[{number}]"
            found.append((at, in_form(form, str(written), at)))
    return found


def _some(codes: list[tuple[str, Code]], place: str) -> list[tuple[str, Code]]:
    if not codes:
        refuse(place, "this entry has no code")
    return codes


def _elsewhere(entry: _Elsewhere, place: str) -> tuple[str, str] | None:
    """System and code of an entry that is known by a code of any other system."""
    if entry.system is not None and entry.code is not None:
        system, code = system_meant(entry.system.strip()), entry.code.strip()
        if form := FORMS.get(system):
            in_form(form, code, f"{place}.code")
        return system, code
    if entry.system is not None:
        refuse(f"{place}.code", "code is missing")
    if entry.code is not None:
        refuse(f"{place}.system", "system is missing")
    return None


def _labs(entries: _Entries) -> dict[str, LabCode]:
    labs: dict[str, LabCode] = {}
    for place, entry in entries_in(entries, _Lab, "lab"):
        code = in_form(Loinc, entry.loinc, f"{place}.loinc").value
        if code in labs:
            refuse(f"{place}.loinc", "this code stands twice")
        labs[code] = LabCode(entry.analyte, entry.kind, entry.display)
    return labs


def _lab_names(entries: _Entries) -> dict[str, str]:
    names = entries_in(entries, _LabName, "lab_name")
    return {folded(spelled): entry.name for _, entry in names for spelled in entry.spelled}


def _lab_units(entries: _Entries) -> dict[str, LabUnit]:
    units: dict[str, LabUnit] = {}
    for place, entry in entries_in(entries, _Unit, "unit"):
        for number, spelling in enumerate(map(unit_spelling, entry.spelled), start=1):
            if spelling in units:
                refuse(f"{place}.spelled[{number}]", "this spelling stands twice")
            units[spelling] = LabUnit(entry.counts, entry.factor)
    return units


def _plausible(entries: _Entries, preparations: Mapping[str, Preparation]) -> dict[Kind, Plausible]:
    bounds: dict[Kind, Plausible] = {}
    for place, entry in entries_in(entries, _Plausible, "plausible"):
        if not 0 <= entry.low < entry.high:
            refuse(f"{place}.low", "low must be below high")
        bounds[entry.kind] = Plausible(entry.low, entry.high, entry.unit)
    if missing := {p.kind for p in preparations.values()} - set(bounds):
        refuse("plausible", f"no bounds for {', '.join(sorted(missing))}")
    return bounds
