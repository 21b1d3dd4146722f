"""The titration planner: from a regimen and a target to a plan.

Climb to the smallest target that any enabled basis gives; wait there for labs; then one of
three branches. The old medicine tapers as the new one climbs (`overlap`) or ends on day 0
(`stop`); both are forecast, so that what was not chosen is seen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from crossgrain.dosing.bases import Basis, Grade
from crossgrain.dosing.branches import DRAW, Hold, branches
from crossgrain.dosing.case import Case, Enabled, order_line
from crossgrain.dosing.climb import Slot, new_schedule
from crossgrain.dosing.comparison import aim_on, compare
from crossgrain.dosing.crosschecks import CrossChecks
from crossgrain.dosing.errors import Category, DomainError
from crossgrain.dosing.forecast import (
    Course,
    Period,
    course,
    coverage_extremes,
    coverage_weights,
    steady_day,
    t3_extremes,
    t4_extremes,
)
from crossgrain.dosing.kinetics import KineticsTable, intake_of, steady
from crossgrain.dosing.moves import Medicine, Products, amounts_of, medicines, old_amounts, on_grid
from crossgrain.dosing.plan import (
    Band,
    BasisCoverage,
    BasisRow,
    Checkpoint,
    Forecast,
    LabDraw,
    LineDose,
    Part,
    Plan,
    PriorTherapy,
    Rung,
    Stage,
)
from crossgrain.dosing.policy import Policy
from crossgrain.dosing.prior import old_doses, stopped, taper_problem, tapered
from crossgrain.dosing.rationale import UNITS, explain, number
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.tablets import search_tablets
from crossgrain.dosing.targets import Mixture, Target, TargetDose


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked of the planner, defaults filled in."""

    target: Target
    basis_id: str
    pace_id: str
    prior_therapy: PriorTherapy
    mixture: Mixture = field(default_factory=Mixture)
    lt4_at_least_most_generous: bool = False
    """In pregnancy: LT4 starts at no less than the largest sourced target."""
    tsh_every_days: int | None = None
    weight_kg: Fraction | None = None
    """For the reference column: full replacement by weight."""


@dataclass(frozen=True, slots=True)
class Tables:
    """What the planner works from."""

    bases: tuple[Basis, ...]
    products: Products
    kinetics: KineticsTable
    policy: Policy
    cross_checks: CrossChecks


@dataclass(frozen=True, slots=True)
class _Schedule:
    """New and old doses over the unconditional part, and what they lead to."""

    slots: tuple[Slot, ...]
    old: list[dict[str, Fraction]]
    lab_day: int
    decision_day: int
    followed: Course


def plan_switch(regimen: Regimen, wish: Wish, tables: Tables) -> Plan:
    """Plan a switch.

    Raises
    ------
    DomainError
        `regimen` holds no hormone; `basis` unknown, for comparison only, or a chart that does
        not reach the dose; `pace` unknown; `target` is what is taken already; `stock` makes
        no such dose.
    """
    rows = compare(regimen, tables.bases, wish.target, wish.mixture)
    case = _case(regimen, wish, tables, rows)
    aim = aim_on(wish.basis_id, rows)
    ladder = _ladder(case, rows, aim)
    dose, set_by = _checkpoint_dose(case, wish, ladder)
    moving = medicines(case.old, dose, case.products, case.pace)
    same = {medicine.part for medicine in moving} == {Part.SHARED}
    if same and (len(moving) == 1 or all(m.start == m.goal for m in moving)):
        raise DomainError(
            Category.NOTHING_TO_DO, "target", "the record already shows the regimen asked for"
        )
    both = {mode: _schedule(case, moving, mode) for mode in PriorTherapy}
    other = next(mode for mode in PriorTherapy if mode is not wish.prior_therapy)
    own = both[wish.prior_therapy]
    horizon = max(schedule.decision_day for schedule in both.values())
    forecasts = (
        _forecast(case, wish.prior_therapy, own, horizon, with_band=True),
        _forecast(case, other, both[other], horizon, with_band=False),
    )
    checkpoint = _checkpoint(case, own, dose, set_by, ladder)
    stages = [Stage.CLIMB] * (len(own.slots) - 1) + [Stage.HOLD]
    plan = Plan(
        target=wish.target,
        basis_id=wish.basis_id,
        pace=wish.pace_id,
        prior_therapy=wish.prior_therapy,
        comparison=rows,
        aim=aim,
        aim_tablets=_aim_tablets(case, aim),
        steps=case.steps(own.slots, own.old, stages, case.old),
        checkpoint=checkpoint,
        labs=_labs(case, wish, own, forecasts[0]),
        forecasts=forecasts,
        rationale=(),
    )
    return replace(plan, rationale=explain(case, plan, tables.cross_checks, wish.weight_kg))


def _case(regimen: Regimen, wish: Wish, tables: Tables, rows: Sequence[BasisRow]) -> Case:
    products = tables.products
    old = old_amounts(regimen, products)
    if not old:
        raise DomainError(Category.INVALID, "regimen", "no thyroid hormone is taken")
    old_intake = intake_of(regimen)
    by_id = {basis.id: basis for basis in tables.bases}
    enabled = []
    for row in rows:
        if row.sets_checkpoint and row.lt4_equivalent_ug and row.target:
            basis = by_id[row.basis_id]
            weights = basis.weights_at(row.lt4_equivalent_ug)
            per_pool = coverage_weights(weights, old_intake)
            enabled.append(Enabled(basis, row.lt4_equivalent_ug, weights, per_pool))
    ordered = (products.levothyroxine, products.liothyronine, products.desiccated_thyroid)
    return Case(
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
    )


def _ladder(case: Case, rows: Sequence[BasisRow], aim: TargetDose) -> tuple[Rung, ...]:
    """The bases' targets as points along the climb to the aim, smallest first.

    On basis b the climb has reached the old regimen's worth at E(b)/worth(b, aim) of the aim.
    """
    targets = {row.basis_id: row.target for row in rows if row.target}
    points = []
    for enabled in case.enabled:
        if case.target is Target.DESICCATED_LT3:
            weights = enabled.weights
            worth = weights.lt4_ug_per_lt3_ug * aim.lt3_ug + weights.lt4_ug_per_grain * aim.grains
            share = enabled.lt4_equivalent_ug / worth
        else:
            share = _size(targets[enabled.basis.id]) / _size(aim)
        points.append((share, enabled.basis.id))
    return tuple(
        Rung(basis_id, aim.times(share), on_grid(aim.times(share), case.products))
        for share, basis_id in sorted(points, key=lambda point: point[0])
    )


def _size(dose: TargetDose) -> Fraction:
    return dose.lt4_ug + dose.lt3_ug + dose.grains


def _checkpoint_dose(case: Case, wish: Wish, ladder: Sequence[Rung]) -> tuple[TargetDose, str]:
    if not (wish.lt4_at_least_most_generous and wish.target is Target.LEVOTHYROXINE):
        return ladder[0].on_grid, ladder[0].basis_id
    grades = {enabled.basis.id: enabled.basis.grade for enabled in case.enabled}
    sourced = [rung for rung in ladder if grades[rung.basis_id] in {Grade.LABEL, Grade.TRIAL}]
    largest = (sourced or list(ladder))[-1]
    search = search_tablets(case.products.levothyroxine, largest.target.lt4_ug, Fraction(1))
    if search.above is None:
        raise DomainError(Category.OUT_OF_RANGE, "stock", "no tablets reach the target of LT4")
    return TargetDose(lt4_ug=search.above.amount), largest.basis_id


def _schedule(case: Case, moving: Sequence[Medicine], mode: PriorTherapy) -> _Schedule:
    wait, results = case.wait_days, case.policy.results_days
    slots = new_schedule(moving, case.pace, case.policy, wait + results)
    falling = [medicine for medicine in moving if not medicine.rises]
    old = old_doses(falling)
    start = steady(case.old_intake)
    if mode is PriorTherapy.OVERLAP:
        weights = [enabled.per_pool for enabled in case.enabled]
        problem = taper_problem(case.kinetics, start, slots, case.preparations, old, weights)
        taken = tapered(problem, old)
    else:
        slots = _without_waiting(slots)
        taken = stopped(slots, old)
    return _settled(case, slots, taken)


def _without_waiting(slots: tuple[Slot, ...]) -> tuple[Slot, ...]:
    """Where the new dose is reached at once and nothing tapers, the hold begins on day 0."""
    last = slots[-1]
    if slots[0].amounts != last.amounts:
        return slots
    return (Slot(0, last.days, last.amounts, last.t3_ceiling_ug),)


def _settled(case: Case, slots: tuple[Slot, ...], old: list[dict[str, Fraction]]) -> _Schedule:
    """Put the labs at the later of the wait and the modelled steady state."""
    followed = course(case.kinetics, steady(case.old_intake), case.periods(slots, old))
    last = slots[-1]
    modelled = steady_day(followed, case.old_intake, case.policy.steady_within)
    lab_day = max(last.first_day + case.wait_days, modelled)
    decision_day = lab_day + case.policy.results_days
    if decision_day != last.first_day + last.days:
        slots = (*slots[:-1], replace(last, days=decision_day - last.first_day))
        followed = course(case.kinetics, steady(case.old_intake), case.periods(slots, old))
    return _Schedule(slots, old, lab_day, decision_day, followed)


def _forecast(
    case: Case, mode: PriorTherapy, schedule: _Schedule, horizon: int, *, with_band: bool
) -> Forecast:
    """Both modes are followed to the same day, so that their extremes compare."""
    periods = list(schedule.followed.periods)
    periods[-1] = Period(periods[-1].days + horizon - schedule.decision_day, periods[-1].intake)
    old = case.old_intake
    followed = course(case.kinetics, steady(old), periods)
    exposure = t3_extremes(followed, old)
    end = followed.starts[-1]
    covered = tuple(
        coverage_extremes(followed, enabled.basis, enabled.weights, enabled.per_pool)
        for enabled in case.enabled
    )
    kinetics = case.kinetics
    return Forecast(
        prior_therapy=mode,
        coverage=covered,
        t3_exposure=exposure,
        t3_exposure_at_end=kinetics.t3_total(end) / kinetics.t3_total(steady(old)),
        t4_pool=t4_extremes(followed, old),
        t4_pool_end_ug=end.t4 * kinetics.t4_absorbed * kinetics.t4_tau,
        steady_day=steady_day(schedule.followed, old, case.policy.steady_within),
        band=_band(case, periods, covered) if with_band else None,
    )


def _band(case: Case, periods: Sequence[Period], covered: Sequence[BasisCoverage]) -> Band:
    """The same course under every corner of the parameters' band."""
    lowest = min(covered, key=lambda basis: basis.lowest.value)
    weakest = next(e for e in case.enabled if e.basis.id == lowest.basis_id)
    coverages: dict[tuple[float, float], float] = {}
    exposures = []
    for kinetics in case.kinetics_table.corners:
        followed = course(kinetics, steady(case.old_intake), periods)
        half_lives = (kinetics.t4_half_life_days, kinetics.t3_half_life_days)
        if half_lives not in coverages:  # coverage depends on nothing else
            on_basis = coverage_extremes(followed, weakest.basis, weakest.weights, weakest.per_pool)
            coverages[half_lives] = on_basis.lowest.value
        exposures.append(t3_extremes(followed, case.old_intake)[1].value)
    lows = coverages.values()
    return Band((min(lows), max(lows)), (min(exposures), max(exposures)))


def _checkpoint(
    case: Case,
    own: _Schedule,
    dose: TargetDose,
    set_by: str,
    ladder: tuple[Rung, ...],
) -> Checkpoint:
    amounts = {**own.slots[-1].amounts, **own.old[-1]}
    hold = Hold(
        decision_day=own.decision_day,
        pools=own.followed.starts[-1],
        kept={key: amounts[key] for key in case.target_ids},
        remainder={key: a for key, a in amounts.items() if key not in case.target_ids},
        as_taken=frozenset(
            key for key, a in amounts.items() if key in case.old and a == case.old[key][1]
        ),
    )
    return Checkpoint(
        dose=dose,
        set_by=set_by,
        day=own.slots[-1].first_day,
        lab_day=own.lab_day,
        decision_day=own.decision_day,
        branches=branches(case, hold, ladder),
        ladder=ladder,
    )


def _labs(case: Case, wish: Wish, own: _Schedule, forecast: Forecast) -> tuple[LabDraw, ...]:
    late = own.lab_day > own.slots[-1].first_day + case.wait_days
    words = f"{DRAW}; put off until the model calls the pools steady" if late else DRAW
    every = wish.tsh_every_days
    between = range(every, own.lab_day, every) if every else ()
    return (
        LabDraw(0, "baseline", "TSH, free T4 and free T3 before the first changed dose"),
        *(
            LabDraw(day, "monitoring", f"TSH every {every} days; the pools are not yet steady")
            for day in between
        ),
        LabDraw(own.lab_day, "checkpoint", words, forecast.steady_day),
    )


def _aim_tablets(case: Case, aim: TargetDose) -> tuple[LineDose, ...]:
    """The orderable doses nearest to the aim; where none is near enough, both neighbours."""
    lines = []
    for preparation, amount in amounts_of(aim, case.products):
        search = search_tablets(preparation, amount, case.policy.tolerance)
        part = case.part(preparation.id)
        if search.within:
            lines.append(order_line(preparation, search.within.amount, part))
        else:
            near = [t.amount for t in (search.below, search.above) if t]
            doses = " and ".join(f"{number(a)} {UNITS[preparation.unit]}" for a in near)
            lines.append(
                LineDose(
                    preparation,
                    amount,
                    part,
                    None,
                    note=f"no tablets within {number(case.policy.tolerance * 100)} %: {doses}",
                )
            )
    return tuple(lines)
