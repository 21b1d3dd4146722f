"""A switch taken apart: each medicine's way from its old dose to its new one.

A medicine in both regimens is one line that changes from the old dose to the new, never
stopped and restarted.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import lru_cache

from crossgrain.dosing.kinetics import Intake
from crossgrain.dosing.policy import Pace
from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.steps import SwitchPart
from crossgrain.dosing.tablets import Makings, can_be_ordered, makings
from crossgrain.dosing.targets import TargetDose
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import quantity
from crossgrain.names.values import frozen


@frozen
class Products:
    """The preparations that a plan orders from."""

    levothyroxine: Preparation
    liothyronine: Preparation
    desiccated_thyroid: Preparation

    def of(self, kind: Kind) -> Preparation:
        """The preparation that orders of a kind are made from; no plan orders any other kind."""
        by_kind = {
            Kind.LEVOTHYROXINE: self.levothyroxine,
            Kind.LIOTHYRONINE: self.liothyronine,
            Kind.DESICCATED_THYROID: self.desiccated_thyroid,
        }
        return by_kind[kind]


@frozen
class Move:
    """One medicine's part in the switch.

    Attributes
    ----------
    preparation : what is ordered
    start : the daily amount taken before, in its unit; 0 if new
    goal : the daily amount at the checkpoint; 0 if it is to end
    increment : the step in which it climbs
    """

    preparation: Preparation
    start: Fraction
    goal: Fraction
    increment: Fraction

    @property
    def part(self) -> SwitchPart:
        """Old, new, or in both regimens."""
        if not self.goal:
            return SwitchPart.OLD
        return SwitchPart.SHARED if self.start else SwitchPart.NEW

    @property
    def rises(self) -> bool:
        """Whether its dose goes up; if not, it tapers."""
        return self.goal > self.start


@lru_cache(maxsize=64)  # a table of content: every dose of every step is looked up in it
def intake_per_unit(preparation: Preparation) -> Intake:
    """The hormone in one labelled unit, µg, by origin; here exact content becomes floats."""
    t4_ug, t3_ug = float(preparation.t4_ug_per_unit), float(preparation.t3_ug_per_unit)
    if preparation.kind is Kind.DESICCATED_THYROID:
        return Intake(t4_ug, 0.0, t3_ug)
    return Intake(t4_ug, t3_ug, 0.0)


def total_intake(amounts: Iterable[tuple[Preparation, Fraction]]) -> Intake:
    """The hormone in several daily amounts together."""
    t4_ug = lt3_ug = desiccated_t3_ug = 0.0
    for preparation, amount in amounts:
        per_unit, units = intake_per_unit(preparation), float(amount)
        t4_ug += per_unit.t4_ug * units
        lt3_ug += per_unit.lt3_ug * units
        desiccated_t3_ug += per_unit.desiccated_t3_ug * units
    return Intake(t4_ug, lt3_ug, desiccated_t3_ug)


def ordered_as(preparation: Preparation, products: Products) -> Preparation:
    """The preparation that orders for a medicine are made from.

    Levothyroxine and liothyronine in any form taper in the tablets that the plan orders.
    """
    ordered = {
        Kind.LEVOTHYROXINE: products.levothyroxine,
        Kind.LIOTHYRONINE: products.liothyronine,
    }
    own = ordered.get(preparation.kind, preparation)
    # of its own family in the strengths that are in stock
    return products.desiccated_thyroid if own.id == products.desiccated_thyroid.id else own


def old_amounts(regimen: Regimen, products: Products) -> dict[str, tuple[Preparation, Fraction]]:
    """What is taken now, by preparation id; lines of one preparation are added up."""
    amounts: dict[str, tuple[Preparation, Fraction]] = {}
    for line in regimen:
        preparation = ordered_as(line.preparation, products)
        before = amounts[preparation.id][1] if preparation.id in amounts else Fraction(0)
        amounts[preparation.id] = (preparation, before + line.daily)
    return {key: value for key, value in amounts.items() if value[1]}


def ordered_amounts(regimen: Regimen, products: Products) -> dict[str, Fraction]:
    """A regimen as daily amounts by the preparations that orders are made from."""
    return {key: daily for key, (_, daily) in old_amounts(regimen, products).items()}


def medicines(
    old: Mapping[str, tuple[Preparation, Fraction]],
    goal: TargetDose,
    products: Products,
    pace: Pace,
) -> tuple[Move, ...]:
    """Every medicine of the switch: the new ones first, in the order in which they climb.

    `goal` holds the checkpoint's amounts, already on the increments' grid.
    """
    goals = amounts_of(goal, products)
    moving = [
        Move(
            preparation,
            old[preparation.id][1] if preparation.id in old else Fraction(0),
            amount,
            step(preparation, pace),
        )
        for preparation, amount in goals
    ]
    ending = [
        Move(preparation, amount, Fraction(0), preparation.increment)
        for key, (preparation, amount) in old.items()
        if key not in {preparation.id for preparation, _ in goals}
    ]
    return (*moving, *ending)


def amounts_of(dose: TargetDose, products: Products) -> tuple[tuple[Preparation, Fraction], ...]:
    """A target dose as labelled amounts: LT4 µg, desiccated mg, LT3 µg; zeros left out."""
    desiccated = products.desiccated_thyroid
    mg_per_grain = desiccated.mg_per_grain or Fraction(0)
    amounts = (
        (products.levothyroxine, dose.lt4_ug),
        (desiccated, dose.grains * mg_per_grain),
        (products.liothyronine, dose.lt3_ug),
    )
    return tuple(pair for pair in amounts if pair[1])


def as_dose(amounts: Mapping[str, Fraction], products: Products) -> TargetDose:
    """The inverse of `amounts_of`, from amounts by preparation id."""
    mg_per_grain = products.desiccated_thyroid.mg_per_grain or Fraction(1)
    zero = Fraction(0)
    return TargetDose(
        lt4_ug=amounts.get(products.levothyroxine.id, zero),
        lt3_ug=amounts.get(products.liothyronine.id, zero),
        grains=amounts.get(products.desiccated_thyroid.id, zero) / mg_per_grain,
    )


def step(preparation: Preparation, pace: Pace) -> Fraction:
    """The increment at this pace: a part of the full one where tablets allow, else all of it."""
    part = preparation.increment * pace.increment_share
    return part if can_be_ordered(preparation, part) else preparation.increment


@lru_cache(maxsize=256)  # a tablet table: without it a plan takes twice as long
def rungs(preparation: Preparation, increment: Fraction) -> tuple[Fraction, ...]:
    """The doses that a medicine climbs through: multiples of an increment that can be ordered.

    Of LT4 every single tablet is one too: 88, 112 and 137 µg are doses as good as those on the
    grid. Where a whole-tablet dose and one with a broken tablet lie
    within half an increment of each other, the broken one is left out: 112 µg, not 112.5.
    """
    table = makings(preparation)
    most = Fraction(table.steps[-1], table.scale) if table.steps else Fraction(0)
    doses = {n * increment for n in range(1, int(most / increment) + 1)}
    if preparation.kind is Kind.LEVOTHYROXINE:
        doses |= set(preparation.strengths)
    if preparation.weekly:
        doses = {_week_near(table, dose, increment) for dose in doses}
    made = sorted(dose for dose in doses if table.ways(dose))
    broken = {dose for dose in made if table.ways(dose)[0].halves or table.ways(dose)[0].weekly}
    whole = [dose for dose in made if dose not in broken]
    return tuple(
        dose
        for dose in made
        if dose not in broken or all(abs(dose - other) >= increment / 2 for other in whole)
    )


@lru_cache(maxsize=256)  # a tablet table
def climbing(preparation: Preparation, increment: Fraction) -> tuple[Fraction, ...]:
    """The rungs reached on the way up: of LT3 only those that tablets divide evenly.

    No single dose then rises by more than `Division.most_rise`, and none that was divided is taken
    at once.
    """
    table = makings(preparation)
    return tuple(dose for dose in rungs(preparation, increment) if not table.ways(dose)[0].jumps)


@lru_cache(maxsize=64)  # a tablet table
def evenly_divided(preparation: Preparation) -> tuple[Fraction, ...]:
    """Every day's dose of LT3 that tablets divide evenly, on the grid of the climb or between."""
    table = makings(preparation)
    even = (steps for steps in table.steps if not table.by_steps[steps][0].jumps)
    return tuple(Fraction(steps, table.scale) for steps in even)


def _week_near(table: Makings, dose: Fraction, increment: Fraction) -> Fraction:
    """For a dose that no whole tablets make, the nearest week below it that two tablets share."""
    if table.ways(dose):
        return dose
    at = bisect_right(table.steps, dose * table.scale)
    for steps in reversed(table.steps[:at]):
        if dose - Fraction(steps, table.scale) >= increment / 2:
            break
        if table.by_steps[steps][0].weekly:
            return Fraction(steps, table.scale)
    return dose


def round_down(preparation: Preparation, increment: Fraction, amount: Fraction) -> Fraction:
    """The largest rung not above `amount`; never below the lowest.

    Raises
    ------
    DomainError
        where the stocked strengths make no such dose.
    """
    doses = rungs(preparation, increment)
    fitting = bisect_right(doses, max(amount, increment))
    if not fitting:
        raise not_stocked(preparation, f"{quantity(amount, preparation.unit)} or less", increment)
    return doses[fitting - 1]


def next_up(preparation: Preparation, increment: Fraction, amount: Fraction) -> Fraction:
    """The smallest rung above `amount`; of LT4 at least `Preparation.apart` of an increment above
    it.

    Where a part of the full increment was asked for and tablets do not make it, the rise may be as
    large as the full one.

    Raises
    ------
    DomainError
        where the stocked strengths make no such dose.
    """
    higher = step_up(preparation, increment, amount)
    if higher is None:
        raise not_stocked(
            preparation, f"the step above {quantity(amount, preparation.unit)}", increment
        )
    return higher


def step_up(preparation: Preparation, increment: Fraction, amount: Fraction) -> Fraction | None:
    """The same as `next_up`, but ``None`` where the stocked strengths make no such dose."""
    least = _apart(preparation, increment)
    most = amount + max(increment, preparation.increment) + (increment if least else 0)
    doses = climbing(preparation, increment)
    at = bisect_left(doses, amount + least) if least else bisect_right(doses, amount)
    return doses[at] if at < len(doses) and doses[at] <= most else None


def next_down(preparation: Preparation, increment: Fraction, amount: Fraction) -> Fraction:
    """The largest rung below `amount`.

    Below one increment it is half of one where tablets make it, else 0: the medicine ends.
    """
    least = _apart(preparation, increment)
    doses = rungs(preparation, increment)
    at = bisect_right(doses, amount - least) if least else bisect_left(doses, amount)
    if at:
        return doses[at - 1]
    half = increment / 2
    return half if half < amount and can_be_ordered(preparation, half) else Fraction(0)


def _apart(preparation: Preparation, increment: Fraction) -> Fraction:
    """How far two steps lie apart at the least: of LT4 88 and 100 µg do, 112 and 112.5 do not."""
    return increment * preparation.apart


def not_stocked(preparation: Preparation, wanted: str, increment: Fraction) -> DomainError:
    """The refusal where tablets do not make a step."""
    steps = quantity(increment, preparation.unit)
    division = preparation.division
    rise = (
        f", no single dose rising by more than {quantity(division.most_rise, preparation.unit)}"
        if division
        else ""
    )
    return DomainError(
        Category.OUT_OF_RANGE,
        "stock",
        f"no stocked strength of {preparation.name} makes {wanted} in steps of {steps}"
        f"{rise}{' in whole tablets' if preparation.weekly else ''}",
    )


def on_grid(dose: TargetDose, products: Products) -> TargetDose:
    """A target dose rounded down to the full increments of each of its medicines.

    The grid does not depend on the pace, so that a slower climb never goes further.
    """
    return as_dose(
        {
            preparation.id: round_down(preparation, preparation.increment, amount)
            for preparation, amount in amounts_of(dose, products)
        },
        products,
    )
