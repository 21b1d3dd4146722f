"""The code tables' files, read and checked entry by entry.

``data/codes.toml`` holds what is shipped, ``data/safety_codes.toml`` what the safety rules look
for. A deployer's own file may add ``[[product]]`` entries (NDC and other codes, or any other
``system`` and ``code``) and ``[[alias]]`` entries (names by which its products are known)::

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

    [[other]]
    text = "our house name for what is no thyroid hormone"
    source = "our formulary"
"""

from collections.abc import Iterable, Mapping
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.names.numbers import (
    Numbers,
    exact_number,
    listed,
    only_known_keys,
    positive_number,
    refuse,
    table,
    text,
)
from crossgrain.reading.code_tables import (
    CodedDrug,
    CodeTables,
    LabCode,
    MedicineCode,
    Plausible,
    believed_from,
)
from crossgrain.reading.codesystems import SYSTEMS, Atc, Code, Loinc, Ndc, RxNorm, Snomed
from crossgrain.reading.concerns import ConcernTables
from crossgrain.reading.denials import Denials
from crossgrain.reading.hormone_names import folded
from crossgrain.safety.facts import Analyte


def code_tables_from(
    shipped: Mapping[str, object],
    preparations: Mapping[str, Preparation],
    *,
    numbers: Numbers,
    safety: Mapping[str, object] | None = None,
    denials: Mapping[str, object] | None = None,
    deployer: Mapping[str, object] | None = None,
) -> CodeTables:
    """Build the tables from the contents of the data files.

    Parameters
    ----------
    shipped : content of ``codes.toml``
    preparations : by id; every code names one of them or a kind
    numbers : the clinical numbers by key
    safety, denials : content of ``safety_codes.toml`` and ``denials.toml``
    deployer : a clinic's own ``[[product]]`` (NDC and other codes), ``[[alias]]`` and
        ``[[other]]`` entries

    Raises
    ------
    DomainError
        naming the entry, for a malformed code, an unknown preparation, or one code with two
        meanings.
    """
    draft = _Draft(preparations)
    draft.add_ingredients(_entries(shipped, "ingredient"))
    draft.add_products(_entries(shipped, "drug"), written=True)
    draft.add_products(_entries(shipped, "product"), written=False)
    if deployer:
        only_known_keys(deployer, ("product", "alias", "other"), "")
        draft.add_products(_entries(deployer, "product"), written=False)
        draft.add_aliases(_entries(deployer, "alias"))
        draft.add_others(_entries(deployer, "other"))
    return CodeTables(
        medicines=draft.medicines,
        labs=_labs(_entries(shipped, "lab")),
        believed=believed_from(numbers),
        plausible=_plausible(_entries(shipped, "plausible"), preparations),
        aliases=draft.aliases,
        concerns=ConcernTables.from_entries(
            safety or {}, Denials.from_entries(denials) if denials else None
        ),
        written=draft.written,
        no_hormone=draft.no_hormone,
        other_codes=draft.other_codes,
    )


_KEYS: Mapping[str, type[Code]] = {
    "rxnorm": RxNorm,
    "snomed": Snomed,
    "atc": Atc,
    "ndc": Ndc,
}
_ABOUT = ("source", "display", "preparation", "strength", "kind")


class _Draft:
    """The medicine tables while they are being filled."""

    def __init__(self, preparations: Mapping[str, Preparation]) -> None:
        self.preparations = preparations
        self.medicines: dict[str, dict[str, MedicineCode]] = {s.system: {} for s in SYSTEMS}
        self.written: dict[tuple[str, Fraction | None], CodedDrug] = {}
        self.aliases: dict[str, MedicineCode] = {}
        self.no_hormone: set[str] = set()
        self.other_codes: dict[str, set[str]] = {}

    def add_ingredients(self, entries: Iterable[tuple[str, Mapping[str, object]]]) -> None:
        for place, entry in entries:
            only_known_keys(entry, (*_ABOUT, *_KEYS, "written"), place)
            kind = _kind(entry, place)
            meaning = MedicineCode(kind, text(entry, "display", place))
            text(entry, "source", place)
            for code in _codes(entry, place):
                self._put(code, meaning, place)
                if isinstance(code, RxNorm) and entry.get("written", True):
                    self.written.setdefault((kind, None), CodedDrug(code, meaning.display))

    def add_products(
        self, entries: Iterable[tuple[str, Mapping[str, object]]], *, written: bool
    ) -> None:
        for place, entry in entries:
            only_known_keys(entry, (*_ABOUT, *_KEYS, "system", "code"), place)
            meaning = self._product(entry, place)
            text(entry, "source", place)
            for code in _codes(entry, place):
                self._put(code, meaning, place)
                if written and isinstance(code, RxNorm) and meaning.strength:
                    key = (text(entry, "preparation", place), meaning.strength)
                    self.written.setdefault(key, CodedDrug(code, meaning.display))
            if "system" in entry:
                self._keep(text(entry, "system", place), text(entry, "code", place), meaning, place)

    def add_aliases(self, entries: Iterable[tuple[str, Mapping[str, object]]]) -> None:
        for place, entry in entries:
            only_known_keys(entry, (*_ABOUT, "text"), place)
            alias = folded(text(entry, "text", place)).strip()
            if alias in self.aliases:
                refuse(f"{place}.text", "this name stands twice")
            self.aliases[alias] = self._product({"display": alias, **entry}, place)

    def add_others(self, entries: Iterable[tuple[str, Mapping[str, object]]]) -> None:
        """What a clinic says is no thyroid hormone, by whole name or by code."""
        for place, entry in entries:
            only_known_keys(entry, ("text", "source", *_KEYS, "system", "code"), place)
            if "text" in entry:
                name = folded(text(entry, "text", place)).strip()
                if name in self.aliases:
                    refuse(f"{place}.text", "this name already means a thyroid hormone")
                self.no_hormone.add(name)
            for system, code in _pairs(entry, place):
                if code in self.medicines.get(system, ()):
                    refuse(place, "this code already means a thyroid hormone")
                self.other_codes.setdefault(system, set()).add(code)

    def _product(self, entry: Mapping[str, object], place: str) -> MedicineCode:
        name = text(entry, "preparation", place)
        if name not in self.preparations:
            refuse(f"{place}.preparation", "there is no such preparation")
        preparation = self.preparations[name]
        strength = (
            positive_number(entry["strength"], f"{place}.strength") if "strength" in entry else None
        )
        return MedicineCode(preparation.kind, text(entry, "display", place), preparation, strength)

    def _put(self, code: Code, meaning: MedicineCode, place: str) -> None:
        self._keep(code.system, code.value, meaning, place)

    def _keep(self, system: str, code: str, meaning: MedicineCode, place: str) -> None:
        known = self.medicines.setdefault(system, {})
        if known.setdefault(code, meaning) != meaning:
            refuse(place, "this code already means something else")


def _entries(content: Mapping[str, object], name: str) -> list[tuple[str, Mapping[str, object]]]:
    if name not in content:
        return []
    return [
        (f"{name}[{number}]", table(entry, f"{name}[{number}]"))
        for number, entry in enumerate(listed(content[name], name), start=1)
    ]


def _pairs(entry: Mapping[str, object], place: str) -> list[tuple[str, str]]:
    """The codes of an entry that needs none where it has a name."""
    if "system" in entry:
        return [(text(entry, "system", place), text(entry, "code", place))]
    if "text" in entry and not any(key in entry for key in _KEYS):
        return []
    return [(code.system, code.value) for code in _codes(entry, place)]


def _codes(entry: Mapping[str, object], place: str) -> list[Code]:
    found: list[Code] = []
    for key, system in _KEYS.items():
        value = entry.get(key, [])
        for code in value if isinstance(value, list) else [value]:
            found.append(system(str(code)))  # noqa: PERF401 - two loops read better than one line
    if not found and "system" not in entry:
        refuse(place, "this entry has no code")
    return found


def _kind(entry: Mapping[str, object], place: str) -> Kind:
    try:
        return Kind(text(entry, "kind", place))
    except ValueError:
        refuse(f"{place}.kind", "there is no such kind of preparation")


def _labs(entries: Iterable[tuple[str, Mapping[str, object]]]) -> dict[str, LabCode]:
    labs: dict[str, LabCode] = {}
    for place, entry in entries:
        only_known_keys(entry, ("loinc", "analyte", "kind", "display", "source"), place)
        text(entry, "source", place)
        code = Loinc(text(entry, "loinc", place)).value
        if code in labs:
            refuse(place, "this code stands twice")
        try:
            analyte = Analyte(text(entry, "analyte", place))
        except ValueError:
            refuse(f"{place}.analyte", "there is no such analyte")
        labs[code] = LabCode(analyte, text(entry, "kind", place), text(entry, "display", place))
    return labs


def _plausible(
    entries: Iterable[tuple[str, Mapping[str, object]]], preparations: Mapping[str, Preparation]
) -> dict[Kind, Plausible]:
    bounds: dict[Kind, Plausible] = {}
    for place, entry in entries:
        only_known_keys(entry, ("kind", "unit", "low", "high", "source"), place)
        low, high = (exact_number(entry.get(end), f"{place}.{end}") for end in ("low", "high"))
        if not 0 <= low < high:
            refuse(place, "low must be below high")
        text(entry, "source", place)
        bounds[_kind(entry, place)] = Plausible(low, high, text(entry, "unit", place))
    if missing := {p.kind for p in preparations.values()} - set(bounds):
        refuse("plausible", f"no bounds for {', '.join(sorted(missing))}")
    return bounds
