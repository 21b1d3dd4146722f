"""Everything that the service reads from data files, read once and checked.

A clinic's own file (TOML) may add charts (``[[basis]]``), name the strengths that its
pharmacy stocks (``[stock]``), its products by code (``[[product]]``) and by name
(``[[alias]]``), what is no thyroid hormone (``[[other]]``), files of more such entries
(``[[product_file]]``), expanded ValueSets of what the safety
rules look for (``[[value_set]]``), and the numbers that are our judgement (``[numbers]``, by the
keys that ``crossgrain numbers`` prints)::

    [[basis]]
    id = "clinic-x"
    statement = "One grain = LT4 75 µg = LT3 25 µg"
    source = "our protocol of 2024"
    lt4_ug_per_grain = "75"
    lt4_ug_per_lt3_ug = "3"

    [stock]
    levothyroxine = ["25", "50", "100"]

    [numbers.ratio]
    under = "0.85"
"""

import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field, replace
from functools import cache, partial
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from crossgrain.catalogue.charts import (
    bases_from,
    clinic_bases_from,
    cross_checks_from,
    evidence_from,
)
from crossgrain.catalogue.clinic import stocked, with_value_sets
from crossgrain.catalogue.codes import OwnProducts, code_tables_from, with_products
from crossgrain.catalogue.concerns import concerns_from
from crossgrain.catalogue.decoding import Entries, FileForm, Text, decoded, entries_in, in_file
from crossgrain.catalogue.free_text import denials_from, language_from, phrasebook_from
from crossgrain.catalogue.numbers import (
    doors,
    grain_from,
    numbers_from,
    plain,
    refuse_former,
    rules_from,
    with_clinics,
)
from crossgrain.catalogue.pharmacology import kinetics_from, preparations_from
from crossgrain.catalogue.titration import policy_from
from crossgrain.catalogue.visits import alarms_from, decisions_from, mixture_source_from
from crossgrain.dosing.bases import Basis, GrainContent
from crossgrain.dosing.comparison import CrossChecks
from crossgrain.dosing.evidence import Evidence, standing_of
from crossgrain.dosing.kept import MOST_KEPT, KeptPlans
from crossgrain.dosing.kinetics import KineticsTable
from crossgrain.dosing.moves import Products
from crossgrain.dosing.policy import Policy
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.targets import COMBINING_KEYS, combining_from
from crossgrain.dosing.wish import Tables
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.numbers import Number, Numbers, refuse
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import CodeTables, HowItGoes
from crossgrain.reading.sig_languages import Language
from crossgrain.safety.rule import RuleTable
from crossgrain.safety.visit import (
    VISIT_KEYS,
    AlarmCodes,
    DecisionTable,
    VisitLimits,
    visit_limits_from,
)
from crossgrain.screening.limits import Limits, limits_from

FORMER_KEYS = ("safety", "screening")
"""Where numbers stood before each had one key: refused with the name of the right one."""


_T = TypeVar("_T")


class _Bases(FileForm):
    basis: Entries


class _Preparations(FileForm):
    preparation: Entries


class ProductFile(FileForm):
    """A clinic's own products, by code and by name; each table is decoded where it is read."""

    product: Entries | None = None
    alias: Entries | None = None
    other: Entries | None = None

    def products(self) -> OwnProducts:
        """Its own products, by code and by name."""
        return OwnProducts(self.product or (), self.alias or (), self.other or ())


class ClinicFile(ProductFile):
    """What a clinic's file may hold at its top level."""

    basis: Entries | None = None
    stock: dict[str, Any] = msgspec.field(default_factory=dict)
    product_file: Entries | None = None
    value_set: Entries | None = None
    numbers: dict[str, Any] = msgspec.field(default_factory=dict)


class _NamedFile(FileForm):
    """An entry of the clinic's file."""

    file: Text


@frozen
class Catalogue:
    """The tables that every proposal is computed from.

    Attributes
    ----------
    preparations : by id, with the clinic's stocked strengths where it names them
    bases : shipped charts in the order of their file, then the clinic's own
    kinetics : default parameters and their band
    policy : how fast doses move and when bloods are drawn
    cross_checks : published tables that an answer is held against
    evidence : published comparisons that every chart is held against
    codes : what the reader recognises and the writer writes, with the clinic's own products
    rules : the safety rules
    limits : what a past switch is judged by
    decisions : what is done at a visit after the first
    alarms : which safety rules are an emergency there, and which are answered elsewhere
    mixture_source : on whose word levothyroxine is adjusted there beside what no move leads to
    visits : by what it is settled where the patient stands at one
    numbers : every clinical number by its key, with the clinic's own
    reaches : the doors that each of them reaches, by its key
    plans_kept : how many plans are kept for the next patient on the same doses
    plans : the planner over these tables, by the strength family of desiccated thyroid
    tables_version : digest of the charts, tablets, paces and a clinic's own numbers, from which a
        plan is computed
    """

    preparations: dict[str, Preparation]
    bases: tuple[Basis, ...]
    kinetics: KineticsTable
    policy: Policy
    cross_checks: CrossChecks
    evidence: Evidence
    codes: CodeTables
    rules: RuleTable
    limits: Limits
    decisions: DecisionTable
    alarms: AlarmCodes
    mixture_source: str
    visits: VisitLimits
    numbers: Numbers
    reaches: Mapping[str, tuple[str, ...]]
    plans_kept: int = MOST_KEPT
    plans: dict[str, KeptPlans] = field(init=False, repr=False, compare=False)
    tables_version: str = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        families = [p for p in self.preparations.values() if p.kind is Kind.DESICCATED_THYROID]
        plans = {family.id: KeptPlans(self._tables(family), self.plans_kept) for family in families}
        object.__setattr__(self, "plans", plans)
        planned_by = repr((self.bases, sorted(self.preparations.items()), self.policy))
        # What is shown in none of these counts where a clinic has set it.
        planned_by += "".join(
            f"{number.key} {number.value}" for number in self.numbers.values() if number.is_clinics
        )
        digest = sha256(planned_by.encode()).hexdigest()[:16]
        object.__setattr__(self, "tables_version", digest)

    def _tables(self, family: Preparation) -> Tables:
        """What the planner works from where desiccated thyroid is of one family."""
        lt4, lt3 = self.preparations["levothyroxine"], self.preparations["liothyronine"]
        products = Products(lt4, lt3, family)
        return Tables(self.bases, products, self.kinetics, self.policy, self.cross_checks)

    def basis(self, basis_id: str) -> Basis:
        """The basis of that id.

        Raises
        ------
        DomainError
            ``invalid``, field ``basis``, naming the ids that exist.
        """
        for basis in self.bases:
            if basis.id == basis_id:
                return basis
        known = ", ".join(basis.id for basis in self.bases)
        raise DomainError(Category.INVALID, "basis", f"there is no such basis; there are {known}")


def load_catalogue(clinic: Path | None = None, plans_kept: int = MOST_KEPT) -> Catalogue:
    """Read the shipped tables and, where given, a clinic's own file.

    `plans_kept` is how many plans are kept for the next patient on the same doses.

    Raises
    ------
    DomainError
        ``invalid``; the field is the file and the place in it, e.g.
        ``clinic.toml: clinic-x.row[3].grains``.
    """
    content = _toml(clinic) if clinic else {}
    name = clinic.name if clinic else ""
    judged = _judged(_numbers())
    with in_file(name):
        refuse_former(content, judged.rules)
        own = decoded({k: v for k, v in content.items() if k not in FORMER_KEYS}, ClinicFile)
    if own.numbers:
        with in_file(name, "numbers"):
            numbers = with_clinics(judged.numbers, own.numbers)
        judged = _judged(numbers, name)
    grain = grain_from(judged.numbers)
    evidence = _read("evidence", partial(evidence_from, content=grain))
    decisions, held_by = _read("next_step", partial(decisions_from, numbers=judged.numbers))
    bases = _read("bases", lambda file: bases_from(decoded(file, _Bases).basis, grain))
    preparations = _preparations(judged.policy, grain)
    with in_file(name):
        preparations = stocked(preparations, own.stock)
        if own.basis is not None:
            bases += clinic_bases_from(own.basis, [basis.id for basis in bases], grain)
    codes = _codes(preparations, judged.numbers)
    if clinic:
        codes = _with_clinics_codes(codes, own, preparations, clinic)
    return Catalogue(
        preparations={key: codes.marked(each) for key, each in preparations.items()},
        bases=tuple(replace(basis, standing=standing_of(basis, evidence)) for basis in bases),
        kinetics=_read("kinetics", kinetics_from),
        policy=judged.policy,
        cross_checks=_read("cross_checks", cross_checks_from),
        evidence=evidence,
        codes=codes,
        rules=judged.rules,
        limits=judged.limits,
        decisions=decisions,
        alarms=_read("next_step", partial(alarms_from, rules=judged.rules)),
        mixture_source=_read("next_step", mixture_source_from),
        visits=visit_limits_from(judged.numbers),
        numbers=judged.numbers,
        reaches=doors(
            judged.rules,
            (*numbers_from(_shipped("titration")), *held_by, *COMBINING_KEYS.values()),
            VISIT_KEYS.values(),
        ),
        plans_kept=plans_kept,
    )


@frozen
class _Judged:
    """The numbers, and all that is read by them."""

    numbers: Numbers
    rules: RuleTable
    policy: Policy
    limits: Limits


def _numbers() -> dict[str, Number]:
    _read("numbers", numbers_from)  # so that what is wrong in the first is told as its own
    with in_file("titration.toml"):
        return numbers_from(_shipped("numbers"), _shipped("titration"))


def _judged(numbers: Numbers, clinic: str = "") -> _Judged:
    """What the numbers come to; those that contradict each other are the clinic's fault, if any."""
    table = "numbers" if clinic else ""
    rules = _read("safety_rules", partial(rules_from, numbers=numbers))
    planned = plain(_shipped("titration"), numbers)
    with in_file(clinic or "numbers.toml", table):
        combining = combining_from(numbers)
    with in_file(clinic or "titration.toml", table):
        policy = policy_from(planned, numbers["t3.highest_ug"].value, combining)
    with in_file(clinic or "numbers.toml", table):
        limits = limits_from(numbers)
    return _Judged(numbers, rules, policy, limits)


def _preparations(policy: Policy, content: GrainContent) -> dict[str, Preparation]:
    shipped = _read(
        "preparations",
        lambda file: preparations_from(
            decoded(file, _Preparations).preparation, content, policy.handful
        ),
    )
    return {key: _taken_by(policy, preparation) for key, preparation in shipped.items()}


def _taken_by(policy: Policy, preparation: Preparation) -> Preparation:
    """A preparation with what the policy says of its kind."""
    match preparation.kind:
        case Kind.LEVOTHYROXINE:
            return replace(preparation, apart=policy.lt4_apart)
        case Kind.LIOTHYRONINE:
            return replace(preparation, division=policy.lt3_division)
        case _:
            return preparation


def _codes(preparations: Mapping[str, Preparation], numbers: Numbers) -> CodeTables:
    denials = _read("denials", denials_from)
    concerns = _read("safety_codes", partial(concerns_from, denials=denials))
    read = partial(
        code_tables_from,
        preparations=preparations,
        numbers=numbers,
        concerns=concerns,
        phrases=_read("phrases", partial(phrasebook_from, languages=_languages())),
    )
    asked = _read("how_it_goes", lambda content: decoded(content, HowItGoes))
    return replace(_read("codes", read), how_it_goes=asked)


def _languages() -> tuple[Language, ...]:
    """Every language that instructions are read in beside English: each file of ``sigs``."""
    folder = files("crossgrain").joinpath("data", "sigs")
    names = sorted(file.name for file in folder.iterdir() if file.name.endswith(".toml"))
    return tuple(_read(f"sigs/{name.removesuffix('.toml')}", language_from) for name in names)


def _with_clinics_codes(
    codes: CodeTables, own: ClinicFile, preparations: Mapping[str, Preparation], clinic: Path
) -> CodeTables:
    """With the clinic's products, and with the value sets that it names beside its file."""
    with in_file(clinic.name):
        codes = with_products(codes, own.products(), preparations)
        for place, entry in _product_files(own):
            with in_file(f"{place}.file, {entry.file}"):
                more = decoded(_toml(clinic.parent / entry.file, ""), ProductFile)
                codes = with_products(codes, more.products(), preparations)
        if own.value_set is None:
            return codes
        widened = with_value_sets(codes.concerns, own.value_set, clinic.parent)
        return replace(codes, concerns=widened)


def _product_files(own: ClinicFile) -> Iterator[tuple[str, _NamedFile]]:
    """The files of products that a clinic's file names, each with its place."""
    if own.product_file is not None:
        yield from entries_in(own.product_file, _NamedFile, "product_file")


def files_named_in(clinic: Path) -> tuple[Path, ...]:
    """The files of products and of value sets that a clinic's file names, in its order.

    Raises
    ------
    DomainError
        as `load_catalogue`.
    """
    content = _toml(clinic)
    entries = (entry for key in ("product_file", "value_set") for entry in content.get(key, ()))
    return tuple(clinic.parent / entry["file"] for entry in entries)


def _read(name: str, form: Callable[[dict[str, Any]], _T]) -> _T:
    """A shipped file; a fault in it names the file."""
    with in_file(f"{name}.toml"):
        return form(_shipped(name))


@cache
def _shipped(name: str) -> dict[str, Any]:
    """A file of the package, parsed once; nothing that reads it changes it."""
    return tomllib.loads(files("crossgrain").joinpath("data", f"{name}.toml").read_text("utf-8"))


def _toml(path: Path, place: str | None = None) -> dict[str, Any]:
    """What a clinic's file holds; what is wrong is told at `place`, else under its name."""
    place = path.name if place is None else place
    try:
        return tomllib.loads(path.read_text("utf-8-sig"))
    except OSError as wrong:
        refuse(place, f"the clinic's file cannot be read: {wrong.strerror}")
    except UnicodeDecodeError:
        refuse(place, "the clinic's file is not UTF-8")
    except tomllib.TOMLDecodeError as wrong:
        refuse(place, f"the clinic's file is not TOML: {wrong}")
    except RecursionError:
        refuse(place, "the clinic's file is nested too deeply")
