"""A draft order against today's regimen: what it is worth, and what the model predicts.

Doses that follow one another by date are followed in that order and never added up.

Two readings are always computed: the old medicine stops on the day that the order starts
(`switched`), and both are left running (`both`).
"""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from itertools import pairwise

from crossgrain.dosing.bases import Basis
from crossgrain.dosing.forecast import (
    PoolCourse,
    course,
    coverage_extremes,
    coverage_weights,
    t3_extremes,
)
from crossgrain.dosing.kinetics import ConstantIntake, Kinetics, intake_of, steady
from crossgrain.dosing.plan import BasisCoverage, Extreme
from crossgrain.dosing.regimens import Regimen
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen


@frozen
class OrderReading:
    """What would be taken under one reading of the order, on one basis.

    `ratio` is the LT4-equivalent, new over old, to which modelled `coverage` tends; `peak` is the
    largest on the way there, where several doses follow one another.
    """

    lt4_ug: Fraction
    ratio: Fraction
    coverage: BasisCoverage
    peak: Fraction = Fraction(0)

    @property
    def highest(self) -> Fraction:
        """The largest ratio of all."""
        return max(self.ratio, self.peak)


@frozen
class BasisNumbers:
    """The order on one basis; `steers` is false for a basis that is shown only."""

    basis_id: str
    steers: bool
    now_lt4_ug: Fraction
    order_lt4_ug: Fraction
    switched: OrderReading
    both: OrderReading

    def reading(self, *, runs: bool) -> OrderReading:
        """The reading in which the old medicine runs on, or the one in which it stops."""
        return self.both if runs else self.switched


@frozen
class OrderNumbers:
    """The order on every basis that reaches it, and its T3.

    `t3_…_ug` is swallowed T3, µg a day, after the largest single rise where several doses follow
    one another; `t3_now_ug` is T3 before that rise, `t3_before_both_ug` the same where the old
    medicine runs on. `exposure_…` is the highest modelled T3 pool over the old one.
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
    t3_before_both_ug: Fraction | None = None

    def t3_rise(self, *, runs: bool) -> Fraction:
        """The largest single rise of swallowed T3, µg a day; negative where it only falls."""
        if runs:
            before = self.t3_now_ug if self.t3_before_both_ug is None else self.t3_before_both_ug
            return self.t3_both_ug - before
        return self.t3_switched_ug - self.t3_now_ug

    def t3(self, *, runs: bool) -> tuple[Fraction, float]:
        """Swallowed T3 a day, µg, and the highest T3 exposure, under either reading."""
        if runs:
            return self.t3_both_ug, self.exposure_both.value
        return self.t3_switched_ug, self.exposure_switched.value


def switched_regimen(now: Regimen, order: Regimen) -> Regimen:
    """What is taken once the order replaces what it is meant to replace.

    An order for a kind of medicine already taken changes that line and leaves the others;
    any other order replaces everything.
    """
    shared = now.kinds & order.kinds
    kept = [line for line in now if shared and line.preparation.kind not in shared]
    return Regimen((*kept, *order))


def order_numbers(
    now: Regimen,
    order: Regimen,
    bases: Iterable[Basis],
    kinetics: Kinetics,
    days: float,
    before: Sequence[tuple[float, Regimen]] = (),
) -> OrderNumbers:
    """Compute both readings of an order, followed for so many days.

    `before` are the doses that lead to the order, each with the days for which it is taken.

    Raises
    ------
    DomainError
        where nothing is taken now, so that there is nothing to compare with.
    """
    if not now.t4_ug and not now.t3_ug:
        raise DomainError(
            Category.INVALID, "order", "an order is judged against a regimen, and there is none"
        )
    old = intake_of(now)
    steps = (*before, (days, order))
    ways = [
        [(length, switched_regimen(now, dose)) for length, dose in steps],
        [(length, Regimen((*now, *dose))) for length, dose in steps],
    ]
    followed = [
        course(
            kinetics, steady(old), [ConstantIntake(length, intake_of(then)) for length, then in way]
        )
        for way in ways
    ]
    exposures = [t3_extremes(one, old)[1] for one in followed]
    taken = [[then for _, then in way] for way in ways]
    readings = tuple(zip(taken, followed, strict=True))
    rises = [_largest_rise([now.t3_ug, *(then.t3_ug for then in way)]) for way in taken]
    found = (_on_basis(basis, now, order, readings) for basis in bases)
    return OrderNumbers(
        order=order,
        changes_a_line=order.kinds <= now.kinds,
        bases=tuple(numbers for numbers in found if numbers is not None),
        t3_now_ug=rises[0][0],
        t3_switched_ug=rises[0][1],
        t3_both_ug=rises[1][1],
        exposure_switched=exposures[0],
        exposure_both=exposures[1],
        t3_before_both_ug=rises[1][0],
    )


def _largest_rise(t3_ug: Sequence[Fraction]) -> tuple[Fraction, Fraction]:
    """T3 before and after the largest single rise."""
    return max(pairwise(t3_ug), key=lambda pair: pair[1] - pair[0])


def _on_basis(
    basis: Basis,
    now: Regimen,
    order: Regimen,
    readings: tuple[tuple[Sequence[Regimen], PoolCourse], ...],
) -> BasisNumbers | None:
    """The numbers on one basis, or ``None`` where a table chart does not reach them."""
    try:
        old = basis.lt4_equivalent(now)
        weights = basis.weights_at(old)
        order_lt4_ug = basis.lt4_equivalent(order)
        worth = [[basis.lt4_equivalent(then) for then in taken] for taken, _ in readings]
    except DomainError:
        return None
    per_pool = coverage_weights(weights, intake_of(now))
    switched, both = (
        OrderReading(
            lt4_ug[-1],
            lt4_ug[-1] / old,
            coverage_extremes(followed, basis, weights, per_pool),
            max(lt4_ug) / old,
        )
        for lt4_ug, (_, followed) in zip(worth, readings, strict=True)
    )
    return BasisNumbers(basis.id, basis.sets_checkpoint, old, order_lt4_ug, switched, both)
