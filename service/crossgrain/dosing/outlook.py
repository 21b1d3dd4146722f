"""New and old doses side by side over the unconditional part, and what the model makes of them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import groupby

from crossgrain.dosing.case import SwitchCase
from crossgrain.dosing.climb import Slot, new_schedule
from crossgrain.dosing.forecast import (
    PoolCourse,
    course,
    coverage_extremes,
    steady_day,
    t3_extremes,
    t4_extremes,
)
from crossgrain.dosing.kinetics import ConstantIntake, steady
from crossgrain.dosing.moves import Move
from crossgrain.dosing.need import UNCHANGED, coverage_of_need
from crossgrain.dosing.plan import Band, BasisCoverage, Extreme, Forecast, Mode, PriorTherapy
from crossgrain.dosing.prior import (
    OldDoses,
    none_ends_early,
    old_doses,
    stopped,
    taper_problem,
    tapered,
)
from crossgrain.dosing.steps import SwitchPart
from crossgrain.dosing.taper import Choice
from crossgrain.dosing.targets import Target
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.values import frozen


@frozen
class Timeline:
    """New and old doses over the unconditional part, and what they lead to.

    `choice` says which taper was chosen, and what the best would have held; ``None`` where the old
    medicine stops. `proved` is what `Hold.proved` will be at the decision.
    """

    slots: tuple[Slot, ...]
    old: list[dict[str, Fraction]]
    choice: Choice | None
    lab_day: int
    decision_day: int
    followed: PoolCourse
    proved: tuple[int, ...] = ()


def schedule_for(case: SwitchCase, moving: Sequence[Move], mode: PriorTherapy) -> Timeline:
    """The new doses by day and the old ones beside them, for one prior therapy.

    Raises
    ------
    DomainError
        ``out-of-range``, field ``stock``, where no tablets let the old medicine fall as far as the
        T3
        limit asks.
    """
    wait, results = case.wait_days, case.policy.results_days
    slots = new_schedule(moving, case.pace, case.policy, wait + results)
    falling = [medicine for medicine in moving if not medicine.rises]
    if mode is PriorTherapy.OVERLAP:
        found = taper_beside(case, slots, falling)
        if found is None:
            raise DomainError(
                Category.OUT_OF_RANGE,
                "stock",
                "no tablets at home or in stock let the old medicine fall as far as the T3 limit"
                " asks",
            )
        return settled(case, slots, *found)
    slots = _without_waiting(slots)
    return settled(case, slots, stopped(slots, falling), None)


def taper_beside(
    case: SwitchCase, slots: Sequence[Slot], falling: Sequence[Move]
) -> tuple[list[dict[str, Fraction]], Choice] | None:
    """The taper over what is at home and one strength more, or over as few more as allow one.

    ``None`` where no tablets let the old medicine fall as far as the T3 limit asks.
    """
    weights = [enabled.per_pool for enabled in case.enabled]
    for bought in range(1, case.policy.taper.most_bought + 1):
        old: OldDoses = old_doses(falling, case.home, bought)
        problem = taper_problem(
            case.kinetics,
            case.begins(case.kinetics),
            slots,
            case.preparations,
            old,
            weights,
            case.leaning,
            _open_at_the_hold(case, slots[-1].amounts, old),
        )
        if case.until_lt4_has_built_up:
            problem = none_ends_early(problem, old)
        found = tapered(replace(problem, need=float(case.need)), old)
        if found:
            return found
    return None


def _open_at_the_hold(
    case: SwitchCase, new: Mapping[str, Fraction], old: OldDoses
) -> frozenset[int] | None:
    """Which old doses may be left at the hold; ``None`` for any.

    In pregnancy none of what is to end; beside LT3 no LT4 above its ratio, where it falls to the
    dose of a combination.
    """
    every = range(len(old.choices))
    if case.until_lt4_has_built_up:
        return frozenset({every[-1]})
    lt4, lt3 = case.products.levothyroxine.id, case.products.liothyronine.id
    if case.target is not Target.LT4_LT3 or all(m.preparation.id != lt4 for m in old.falling):
        return None

    highest = case.policy.combining.highest_ratio

    def fits(choice: int) -> bool:
        held = {**new, **old.amounts(choice)}
        return held[lt4] <= highest * held[lt3]

    return frozenset(filter(fits, every))


def _without_waiting(slots: tuple[Slot, ...]) -> tuple[Slot, ...]:
    """Where the new dose is reached at once and nothing tapers, the hold begins on day 0."""
    last = slots[-1]
    if slots[0].amounts != last.amounts:
        return slots
    return (Slot(0, last.days, last.amounts, last.t3_ceiling_ug),)


def settled(
    case: SwitchCase,
    slots: Sequence[Slot],
    old: list[dict[str, Fraction]],
    choice: Choice | None,
) -> Timeline:
    """Put the labs at the later of two days: the end of the wait, and the modelled steady state.

    The wait begins when the last dose is reached, even where that is before the last day on which
    the taper could have changed.
    """
    slots = tuple(slots)
    while len(slots) > 1 and (slots[-2].amounts, old[-2]) == (slots[-1].amounts, old[-1]):
        slots = (*slots[:-2], replace(slots[-1], first_day=slots[-2].first_day))
        old = old[:-1]
    begins = case.begins(case.kinetics)
    followed = course(case.kinetics, begins, case.periods(slots, old))
    last = slots[-1]
    modelled = steady_day(followed, case.old_intake, case.policy.steady_within)
    lab_day = max(last.first_day + case.wait_days, modelled)
    decision_day = lab_day + case.policy.results_days
    if decision_day != last.first_day + last.days:
        slots = (*slots[:-1], replace(last, days=decision_day - last.first_day))
        followed = course(case.kinetics, begins, case.periods(slots, old))
    return Timeline(slots, old, choice, lab_day, decision_day, followed)


def mode_of(case: SwitchCase, mode: PriorTherapy, schedule: Timeline) -> Mode:
    """What is swallowed under a schedule: everything, and the old medicine alone."""
    old = [
        {
            key: amount
            for key, amount in {**slot.amounts, **kept}.items()
            if case.part(key) is SwitchPart.OLD
        }
        for slot, kept in zip(schedule.slots, schedule.old, strict=True)
    ]
    return Mode(
        mode,
        schedule.followed.periods,
        tuple(
            ConstantIntake(slot.days, case.intake(kept))
            for slot, kept in zip(schedule.slots, old, strict=True)
        ),
    )


def forecast_for(
    case: SwitchCase, mode: PriorTherapy, schedule: Timeline, horizon: int, *, with_band: bool
) -> Forecast:
    """What the model predicts of one prior therapy, followed to the day `horizon`.

    Both are followed to the same day, so that their extremes can be compared.
    """
    periods = list(schedule.followed.periods)
    periods[-1] = ConstantIntake(
        periods[-1].days + horizon - schedule.decision_day, periods[-1].intake
    )
    old = case.old_intake
    followed = course(case.kinetics, case.begins(case.kinetics), periods)
    exposure = t3_extremes(followed, old)
    end = followed.starts[-1]
    covered = tuple(
        coverage_extremes(followed, enabled.basis, enabled.weights, enabled.per_pool)
        for enabled in case.enabled
    )
    kinetics = case.kinetics
    of_need = tuple(
        coverage_of_need(
            followed, e.basis, e.weights, e.per_pool, old, float(case.need), case.since_day_one
        )
        for e in case.enabled
        if case.need != UNCHANGED
    )
    return Forecast(
        prior_therapy=mode,
        coverage=covered,
        t3_exposure=exposure,
        t3_exposure_at_end=kinetics.t3_total(end) / kinetics.t3_total(steady(old)),
        t4_pool=t4_extremes(followed, old),
        t4_pool_end_ug=end.t4 * kinetics.t4_absorbed * kinetics.t4_tau,
        steady_day=steady_day(schedule.followed, old, case.policy.steady_within),
        band=_band(case, periods, covered, exposure) if with_band else None,
        of_need=of_need,
    )


def _band(
    case: SwitchCase,
    periods: Sequence[ConstantIntake],
    covered: Sequence[BasisCoverage],
    exposure: tuple[Extreme, Extreme],
) -> Band:
    """The same course under every corner of the default parameters' band.

    An extreme need not lie at a corner, so what the default gives is counted in: a band holds its
    own value.
    """
    lowest = min(covered, key=lambda basis: basis.lowest.value)
    weakest = next(e for e in case.enabled if e.basis.id == lowest.basis_id)
    lows, highs = [lowest.lowest.value], [exposure[1].value]
    for _, same in groupby(case.kinetics_table.corners, key=lambda corner: corner.half_lives):
        # Pools, and so coverage, depend on the half-lives alone; what T3 comes to does not.
        corner, *others = same
        followed = course(corner, case.begins(corner), periods)
        on_basis = coverage_extremes(followed, weakest.basis, weakest.weights, weakest.per_pool)
        lows.append(on_basis.lowest.value)
        alike = (followed, *(replace(followed, kinetics=other) for other in others))
        highs += (t3_extremes(each, case.old_intake)[1].value for each in alike)
    return Band((min(lows), max(lows)), (min(highs), max(highs)))
