"""Everything that the service reads from data files, read once and checked.

A clinic's own file (TOML) may add charts (``[[basis]]``), name the strengths that its
pharmacy stocks (``[stock]``), its products by code (``[[product]]``) and by name
(``[[alias]]``), what is no thyroid hormone (``[[other]]``), expanded ValueSets of what the safety
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
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

from crossgrain.catalogue.charts import bases_from, clinic_bases_from, evidence_from
from crossgrain.catalogue.clinic import stocked, with_value_sets
from crossgrain.catalogue.codes import code_tables_from
from crossgrain.catalogue.numbers import (
    doors,
    numbers_from,
    plain,
    refuse_former,
    rules_from,
    with_clinics,
)
from crossgrain.catalogue.visits import decisions_from
from crossgrain.dosing.bases import Basis
from crossgrain.dosing.comparison import CrossChecks, cross_checks_from
from crossgrain.dosing.evidence import Evidence, standing_of
from crossgrain.dosing.kept import MOST_KEPT, KeptPlans
from crossgrain.dosing.kinetics import KineticsTable, kinetics_from
from crossgrain.dosing.moves import Products
from crossgrain.dosing.policy import Policy, policy_from
from crossgrain.dosing.preparations import Kind, Preparation, preparations_from
from crossgrain.dosing.wish import Tables
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.numbers import Numbers, only_known_keys, refuse, table
from crossgrain.reading.code_tables import CodeTables, how_it_goes_from
from crossgrain.safety.rule import RuleTable
from crossgrain.safety.visit import VISIT_KEYS, DecisionTable, VisitLimits, visit_limits_from
from crossgrain.screening.limits import Limits, limits_from

CLINIC_KEYS = ("basis", "stock", "product", "alias", "other", "value_set", "numbers")
"""What a clinic's file may hold at its top level."""
FORMER_KEYS = ("safety", "screening")
"""Where numbers stood before each had one key: refused with the name of the right one."""


@dataclass(frozen=True, slots=True)
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
    visits : by what it is settled where the patient stands at one
    numbers : every clinical number by its key, with the clinic's own
    reaches : the doors that each of them reaches, by its key
    plans_kept : how many plans are kept for the next patient on the same doses
    plans : the planner over these tables, by the strength family of desiccated thyroid
    tables_version : digest of the charts, tablets and paces that a plan is computed from
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
        ``invalid``; the field is the place in the file, e.g. ``clinic-x.row[3].grains``.
    """
    own = _clinic_table(clinic) if clinic else {}
    planned_by = _shipped("titration")
    shipped_numbers = numbers_from(_shipped("numbers"), planned_by)
    refuse_former(own, rules_from(_shipped("safety_rules"), shipped_numbers))
    numbers = with_clinics(shipped_numbers, table(own.get("numbers", {}), "numbers"))
    rules = rules_from(_shipped("safety_rules"), numbers)
    policy = policy_from(plain(planned_by, numbers), numbers["t3.highest_ug"].value)
    preparations = {
        key: _taken_by(policy, preparation)
        for key, preparation in preparations_from(_shipped("preparations")["preparation"]).items()
    }
    bases = bases_from(_shipped("bases")["basis"])
    if "stock" in own:
        preparations = stocked(preparations, table(own["stock"], "stock"))
    if "basis" in own:
        bases += clinic_bases_from(own["basis"], [basis.id for basis in bases])
    evidence = evidence_from(_shipped("evidence"))
    codes = code_tables_from(
        _shipped("codes"),
        preparations,
        numbers=numbers,
        safety=_shipped("safety_codes"),
        denials=_shipped("denials"),
        deployer={key: own[key] for key in ("product", "alias", "other") if key in own},
    )
    decisions, held_by = decisions_from(_shipped("next_step"), numbers)
    codes = replace(codes, how_it_goes=how_it_goes_from(_shipped("how_it_goes")))
    if clinic and "value_set" in own:
        widened = with_value_sets(codes.concerns, own["value_set"], clinic.parent)
        codes = replace(codes, concerns=widened)
    return Catalogue(
        preparations={key: codes.marked(p) for key, p in preparations.items()},
        bases=tuple(replace(basis, standing=standing_of(basis, evidence)) for basis in bases),
        kinetics=kinetics_from(_shipped("kinetics")),
        policy=policy,
        cross_checks=cross_checks_from(_shipped("cross_checks")),
        evidence=evidence,
        codes=codes,
        rules=rules,
        limits=limits_from(numbers),
        decisions=decisions,
        visits=visit_limits_from(numbers),
        numbers=numbers,
        reaches=doors(rules, (*numbers_from(planned_by), *VISIT_KEYS.values(), *held_by)),
        plans_kept=plans_kept,
    )


def _taken_by(policy: Policy, preparation: Preparation) -> Preparation:
    """A preparation with what the policy says of its kind."""
    match preparation.kind:
        case Kind.LEVOTHYROXINE:
            return replace(preparation, apart=policy.lt4_apart)
        case Kind.LIOTHYRONINE:
            return replace(preparation, division=policy.lt3_division)
        case _:
            return preparation


def _shipped(name: str) -> dict[str, Any]:
    return tomllib.loads(files("crossgrain").joinpath("data", f"{name}.toml").read_text("utf-8"))


def _clinic_table(path: Path) -> Mapping[str, object]:
    try:
        content = tomllib.loads(path.read_text("utf-8-sig"))
    except OSError as wrong:
        refuse("clinic", f"the clinic's file cannot be read: {wrong.strerror}")
    except UnicodeDecodeError:
        refuse("clinic", "the clinic's file is not UTF-8")
    except tomllib.TOMLDecodeError as wrong:
        refuse("clinic", f"the clinic's file is not TOML: {wrong}")
    only_known_keys({key: None for key in content if key not in FORMER_KEYS}, CLINIC_KEYS, "")
    return content
