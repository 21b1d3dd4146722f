"""A draft order against today's regimen: what it is worth, and what the model predicts.

Two readings are always computed: the old medicine stops on the day that the order starts
(`switched`), and both are left running (`both`).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from crossgrain.dosing.bases import Basis, Weights
from crossgrain.dosing.errors import Category, DomainError
from crossgrain.dosing.kinetics import (
    Curve,
    Intake,
    Kinetics,
    intake_of,
    steady,
    t3_curve,
    weighed,
)
from crossgrain.dosing.plan import Extreme
from crossgrain.dosing.regimens import Regimen


@dataclass(frozen=True, slots=True)
class Reading:
    """What would be taken under one reading of the order, on one basis.

    `ratio` is LT4-equivalent new over old; `lowest` and `highest` are modelled coverage.
    """

    lt4_ug: Fraction
    ratio: Fraction
    lowest: Extreme
    highest: Extreme


@dataclass(frozen=True, slots=True)
class BasisNumbers:
    """The order on one basis; `steers` is false for a basis that is shown only."""

    basis_id: str
    steers: bool
    now_lt4_ug: Fraction
    order_lt4_ug: Fraction
    switched: Reading
    both: Reading


@dataclass(frozen=True, slots=True)
class OrderNumbers:
    """The order on every basis that reaches it, and its T3.

    `t3_…_ug` is swallowed T3 a day; `exposure_…` the highest modelled T3 pool over the old.
    `changes_a_line` is true where the order holds nothing but kinds already taken.
    """

    order: Regimen
    changes_a_line: bool
    bases: tuple[BasisNumbers, ...]
    t3_now_ug: Fraction
    t3_switched_ug: Fraction
    t3_both_ug: Fraction
    exposure_switched: Extreme
    exposure_both: Extreme


def switched_regimen(now: Regimen, order: Regimen) -> Regimen:
    """What is taken once the order replaces what it is meant to replace.

    An order for a kind of medicine already taken changes that line and leaves the others;
    any other order replaces everything.
    """
    shared = now.kinds & order.kinds
    kept = [line for line in now if shared and line.preparation.kind not in shared]
    return Regimen((*kept, *order))


def order_numbers(
    now: Regimen, order: Regimen, bases: Iterable[Basis], kinetics: Kinetics, days: float
) -> OrderNumbers:
    """Compute both readings of an order over so many days.

    Raises
    ------
    DomainError
        where nothing is taken now, so that there is nothing to compare with.
    """
    if not now.t4_ug and not now.t3_ug:
        raise DomainError(
            Category.INVALID, "order", "an order is judged against a regimen, and there is none"
        )
    switched, both = switched_regimen(now, order), Regimen((*now, *order))
    exposures = [_exposure(now, then, kinetics, days) for then in (switched, both)]
    return OrderNumbers(
        order=order,
        changes_a_line=order.kinds <= now.kinds,
        bases=tuple(
            numbers
            for basis in bases
            if (numbers := _on_basis(basis, now, order, (switched, both), kinetics, days))
        ),
        t3_now_ug=now.t3_ug,
        t3_switched_ug=switched.t3_ug,
        t3_both_ug=both.t3_ug,
        exposure_switched=exposures[0],
        exposure_both=exposures[1],
    )


def _on_basis(
    basis: Basis,
    now: Regimen,
    order: Regimen,
    readings: tuple[Regimen, Regimen],
    kinetics: Kinetics,
    days: float,
) -> BasisNumbers | None:
    """The numbers on one basis, or ``None`` where a table chart does not reach them."""
    try:
        old = basis.lt4_equivalent(now)
        weights = basis.weights_at(old)
        worth = [basis.lt4_equivalent(regimen) for regimen in (order, *readings)]
    except DomainError:
        return None
    switched, both = (
        Reading(lt4_ug, lt4_ug / old, *_coverage(now, then, weights, kinetics, days))
        for lt4_ug, then in zip(worth[1:], readings, strict=True)
    )
    return BasisNumbers(basis.id, basis.sets_checkpoint, old, worth[0], switched, both)


def _coverage(
    now: Regimen, then: Regimen, weights: Weights, kinetics: Kinetics, days: float
) -> tuple[Extreme, Extreme]:
    """Lowest and highest coverage: weighed pools over those of the old regimen."""
    by_origin = Intake(
        1.0, float(weights.lt4_ug_per_lt3_ug), float(weights.lt4_ug_per_desiccated_t3_ug)
    )
    old = intake_of(now)
    curve = weighed(steady(old), intake_of(then), by_origin)
    return _extremes(curve, kinetics, days)


def _exposure(now: Regimen, then: Regimen, kinetics: Kinetics, days: float) -> Extreme:
    """The highest T3 pool over the old one."""
    old = steady(intake_of(now))
    return _extremes(t3_curve(kinetics, old, intake_of(then)), kinetics, days)[1]


def _extremes(curve: Curve, kinetics: Kinetics, days: float) -> tuple[Extreme, Extreme]:
    """Lowest and highest value over its value on day 0, at the ends or where it turns."""
    turn = curve.turning_day(kinetics)
    at = [0.0, days] + ([turn] if turn is not None and turn < days else [])
    start = curve.at(kinetics, 0.0)
    values = [Extreme(curve.at(kinetics, day) / start, day) for day in at]
    return min(values, key=lambda e: e.value), max(values, key=lambda e: e.value)
