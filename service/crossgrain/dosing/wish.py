"""What is asked of the planner, and the case that it makes of what is taken.

A case holds what every stage of a plan looks at: today's doses in the preparations that orders are
made from, the tablets that there are, the bases that steer, and what findings ask of the taper.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.comparison import CrossChecks
from crossgrain.dosing.exchange import exchange_in
from crossgrain.dosing.forecast import coverage_weights
from crossgrain.dosing.kinetics import KineticsTable, intake_of
from crossgrain.dosing.moves import Products, old_amounts
from crossgrain.dosing.need import UNCHANGED
from crossgrain.dosing.plan import (
    BasisRow,
    PriorTherapy,
    Statement,
)
from crossgrain.dosing.policy import Policy
from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.tablets import best_day_dose
from crossgrain.dosing.taper import Leaning
from crossgrain.dosing.targets import Mixture, Target
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen


@frozen
class Wish:
    """What is asked of the planner, defaults filled in."""

    target: Target
    basis_id: str
    pace_id: str
    prior_therapy: PriorTherapy
    mixture: Mixture
    lt4_at_least_most_generous: bool = False
    """In pregnancy: LT4 starts at no less than the largest sourced target, and in an overlap no old
    medicine ends before LT4 has built up."""
    tsh_every_days: int | None = None
    too_much_weighs: bool = False
    """Whether the taper leans away from coverage above 1: see `policy.TaperChoice`."""
    too_little_weighs: bool = False
    """The same for coverage below 1."""
    at_home: tuple[tuple[str, Fraction], ...] = ()
    """The tablets that the patient has: preparation id and strength."""
    stock: tuple[tuple[str, Fraction], ...] = ()
    """The tablets that can be dispensed; of a preparation that is not named, every strength."""
    weight_kg: Fraction | None = None
    """For the reference column: full replacement by weight."""
    weekly_pattern: bool = False
    """Whether LT4 is given in whole tablets, two of which may share the days of a week."""
    weekly_withheld: bool = False
    """Whether that was asked for and a patient's risk forbids it."""
    need: Fraction = UNCHANGED
    """What the patient needs, as a part of what is taken, by today's TSH."""
    need_said: Statement | None = None
    """The same in words, with what they rest on."""
    lt3_doses: int | None = None
    """In how many doses a day LT3 is taken at the most; ``None`` for as many as is usual."""
    another_product: bool = False
    """Whether desiccated thyroid is to be of another product, of the family taken or not."""


@frozen
class Tables:
    """What the planner works from."""

    bases: tuple[Basis, ...]
    products: Products
    kinetics: KineticsTable
    policy: Policy
    cross_checks: CrossChecks


def case_of(regimen: Regimen, wish: Wish, tables: Tables, rows: Sequence[BasisRow]) -> SwitchCase:
    """The case of one regimen and one wish, compared as `rows`; raises as `plan_switch` does."""
    products = _in_stock(tables.products, wish.stock)
    if wish.weekly_pattern:
        products = _whole_weeks(products, tables.policy.weekly_apart)
    if wish.lt3_doses:
        products = _in_doses(products, wish.lt3_doses)
    old = old_amounts(regimen, products)
    if not old:
        raise DomainError(Category.INVALID, "regimen", "no thyroid hormone is taken")
    old_intake = intake_of(regimen)
    exchange = exchange_in(
        regimen,
        wish.target,
        products.desiccated_thyroid,
        tables.policy.exchange_lowest,
        another=wish.another_product,
    )
    enabled = []
    for row in rows:
        if row.sets_checkpoint and row.lt4_equivalent_ug and row.target:
            weights = row.basis.weights_at(row.lt4_equivalent_ug)
            per_pool = coverage_weights(weights, old_intake)
            enabled.append(Enabled(row.basis, row.lt4_equivalent_ug, weights, per_pool))
    ordered = (products.levothyroxine, products.liothyronine, products.desiccated_thyroid)
    return SwitchCase(
        regimen=regimen,
        target=wish.target,
        products=products,
        pace=tables.policy.pace(wish.pace_id),
        policy=tables.policy,
        kinetics_table=tables.kinetics,
        enabled=tuple(enabled),
        old_intake=old_intake,
        old=old,
        preparations={p.id: p for p in (*(p for p, _ in old.values()), *ordered)},
        home=home_of(old, wish, exchange.ended if exchange else frozenset()),
        going_on=frozenset(old) - (exchange.ended if exchange else frozenset()),
        largest_half={key: amount for key, (_, amount) in old.items()},
        leaning=_leaning(tables.policy, wish),
        exchange=exchange,
        tsh_every_days=wish.tsh_every_days,
        until_lt4_has_built_up=wish.lt4_at_least_most_generous,
        need=UNCHANGED if exchange else wish.need,
    )


def _whole_weeks(products: Products, most_apart: Fraction) -> Products:
    """The products with no tablet of LT4 broken and weeks that two of them may share."""
    lt4 = replace(products.levothyroxine, scored=frozenset(), weekly=most_apart)
    return replace(products, levothyroxine=lt4)


def _in_doses(products: Products, doses: int) -> Products:
    """The products with a day's LT3 in so many doses."""
    lt3 = products.liothyronine
    divided = lt3.division and replace(lt3.division, doses=doses)
    return replace(products, liothyronine=replace(lt3, division=divided))


def _in_stock(products: Products, stock: Sequence[tuple[str, Fraction]]) -> Products:
    """The products in the strengths that can be dispensed today."""

    def limited(preparation: Preparation) -> Preparation:
        there = {strength for key, strength in stock if key == preparation.id}
        if not there:
            return preparation
        return replace(
            preparation,
            strengths=tuple(s for s in preparation.strengths if s in there),
            scored=preparation.scored & there,
        )

    return Products(
        limited(products.levothyroxine),
        limited(products.liothyronine),
        limited(products.desiccated_thyroid),
    )


def home_of(
    old: Mapping[str, tuple[Preparation, Fraction]], wish: Wish, ended: frozenset[str] = frozenset()
) -> dict[str, frozenset[Fraction]]:
    """The strengths that the patient has of each medicine taken, but for a product that has ended.

    Where the record does not say, the tablets of which its dose is most simply made: it is they
    that are dispensed for it.
    """
    home = {}
    for key, (preparation, amount) in old.items():
        if key in ended:
            continue
        told = {strength for medicine, strength in wish.at_home if medicine == key}
        listed = frozenset(told & set(preparation.strengths))
        simplest = best_day_dose(preparation, amount)
        home[key] = listed or (simplest.tablets.strengths if simplest else frozenset())
    return home


def _leaning(policy: Policy, wish: Wish) -> Leaning:
    taper = policy.taper
    return Leaning(
        above=taper.too_much_weighs if wish.too_much_weighs else 1.0,
        below=taper.too_little_weighs if wish.too_little_weighs else 1.0,
        tolerance=taper.tolerance,
        saving=taper.saving_a_strength,
        guard=taper.guard,
        most_changes=taper.most_changes,
    )
