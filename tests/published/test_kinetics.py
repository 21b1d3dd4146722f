"""The two-pool model against published half-lives, its check values and two other solvers."""

from itertools import pairwise
from math import ceil, exp, log
from random import Random

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from tests.unit.dosing.switches import CATALOGUE, KINETICS, STEERING

from crossgrain.dosing.forecast import course, coverage_extremes, steady_day, t3_extremes
from crossgrain.dosing.forecast import coverage_weights as weights_over
from crossgrain.dosing.kinetics import (
    ConstantIntake,
    Intake,
    Kinetics,
    Pools,
    PoolWeights,
    after,
    steady,
    t3_curve,
    weighed,
)

QUARTER_T4_UG, QUARTER_T3_UG = 38 / 4, 9 / 4
"""A quarter grain: US desiccated thyroid label, 38 µg T4 and 9 µg T3 per grain."""
T4_G_PER_MOL, T3_G_PER_MOL = 776.87, 650.97
"""Molar masses of the free acids."""


def quarter_grains(number, *, lt4_ug=0.0):
    return Intake(lt4_ug + number * QUARTER_T4_UG, 0.0, number * QUARTER_T3_UG)


def climb(lt4_cut_ug):
    """A quarter grain more every 14 days up to 3 grains, from 150 µg LT4, cut at each step."""
    return [
        ConstantIntake(14, quarter_grains(step, lt4_ug=max(150 - lt4_cut_ug * step, 0)))
        for step in range(1, 13)
    ]


def of_baseline(periods, day):
    """T4 pool and total T3 at the end of a day, over 150 µg LT4 at steady state."""
    before = steady(Intake(150, 0, 0))
    now = course(KINETICS, before, periods[: ceil(day / 14)]).starts[-1]
    return now.t4 / before.t4, KINETICS.t3_total(now) / KINETICS.t3_total(before)


# Own model's check values to two decimals; SciPy, below, is the outside source.
STOPPED = [(14, 0.30, 0.40), (28, 0.17, 0.31), (42, 0.18, 0.38), (70, 0.30, 0.62)]
CUT = [(14, 0.98, 1.05), (28, 0.97, 1.10), (42, 0.95, 1.14), (70, 0.91, 1.23)]


@pytest.mark.parametrize(("day", "t4", "t3"), STOPPED)
def test_stopping_150_ug_and_climbing_by_quarter_grains_leaves_these_pools(day, t4, t3):
    assert of_baseline(climb(150), day) == pytest.approx((t4, t3), abs=0.005)


@pytest.mark.parametrize(("day", "t4", "t3"), CUT)
def test_cutting_lt4_by_12_5_ug_a_step_instead_holds_both_pools(day, t4, t3):
    # the first T4 value is 0.985, printed as 0.98
    assert of_baseline(climb(12.5), day) == pytest.approx((t4, t3), abs=0.00501)


def test_three_grains_sustain_these_pools_in_the_long_run():
    before, then = steady(Intake(150, 0, 0)), steady(quarter_grains(12))
    assert then.t4 / before.t4 == pytest.approx(0.76, abs=0.005)
    ratio = KINETICS.t3_total(then) / KINETICS.t3_total(before)
    assert ratio == pytest.approx(1.54, abs=0.005)


@pytest.mark.parametrize(("name", "low", "value", "high"), [
    ("t4_half_life_days", 6, 7, 10),  # labels 6-7 days, 9-10 when hypothyroid (from memory)
    ("t3_half_life_days", 0.75, 1, 2.5),  # label 2.5 days (secondary), 1-2 (from memory)
    ("t4_absorbed", 0.40, 0.75, 0.80),  # US levothyroxine label: 40-80 %
    ("t3_absorbed", 0.43, 0.95, 1.0),  # US label: 95 % in 4 h; Surks et al. 1973: 43 % in one
    ("t4_to_t3_molar", 0.30, 0.35, 0.50),  # 35 % (from memory); Surks et al. 1973: 30.7-50.8 %
])  # fmt: skip
def test_the_parameters_are_the_published_ones_and_the_band_spans_them(name, low, value, high):
    assert getattr(CATALOGUE.kinetics.default, name) == value
    corners = {getattr(corner, name) for corner in CATALOGUE.kinetics.corners}
    assert corners <= {low, high}


def test_half_of_a_pool_is_left_after_one_half_life():
    before = Pools(100, 0, 20, 0)
    assert after(KINETICS, before, Intake(0, 0, 0), 7).t4 == pytest.approx(50)
    assert after(KINETICS, before, Intake(0, 0, 0), 1).lt3 == pytest.approx(10)


def test_most_t3_comes_from_t4():
    # US desiccated thyroid label: about 80 % of T3 is made from T4. A healthy gland secretes
    # T4 80-100 µg and T3 about 5 µg a day (from memory; deiodinase.org, secondary), which
    # enters the blood whole: here as the oral doses that would be absorbed to that
    secreted = steady(Intake(90 / KINETICS.t4_absorbed, 5 / KINETICS.t3_absorbed, 0))
    from_t4 = KINETICS.t3_made_weight * secreted.t3_made / KINETICS.t3_total(secreted)
    assert from_t4 == pytest.approx(0.8, abs=0.05)


def test_daily_t3_made_and_secreted_is_about_30_ug():
    # daily T3 about 30 µg, about 5 of it from the gland (deiodinase.org, secondary)
    made = 90 * KINETICS.t4_to_t3_molar * T3_G_PER_MOL / T4_G_PER_MOL
    assert 25 <= made + 5 <= 35


# --- other solvers ---------------------------------------------------------------------------


def random_kinetics(random):
    """Anything within the band."""
    return Kinetics(
        random.uniform(6, 10),
        random.uniform(0.75, 2.5),
        random.uniform(0.4, 0.8),
        random.uniform(0.43, 1.0),
        random.uniform(0.30, 0.50),
    )


def random_intake(random):
    return Intake(
        random.choice([0.0, random.uniform(10, 300)]),
        random.choice([0.0, random.uniform(2.5, 100)]),
        random.choice([0.0, random.uniform(2, 45)]),
    )


def random_year(random):
    """A start and up to a year of periods, some of them a single day."""
    cuts = sorted(random.sample(range(1, 365), random.randint(1, 15)))
    lengths = [later - earlier for earlier, later in pairwise([0, *cuts, 365])]
    start = Intake(random.uniform(25, 300), random.uniform(0, 50), random.uniform(0, 27))
    return start, [ConstantIntake(days, random_intake(random)) for days in lengths]


def rates(kinetics, intake):
    """d(T4, T3)/dt of the pools in µg: absorbed, converted by moles, cleared."""
    cleared_t4, cleared_t3 = (
        log(2) / kinetics.t4_half_life_days,
        log(2) / kinetics.t3_half_life_days,
    )
    converted = kinetics.t4_to_t3_molar * T3_G_PER_MOL / T4_G_PER_MOL * cleared_t4
    matrix = np.array([[-cleared_t4, 0.0], [converted, -cleared_t3]])
    absorbed = np.array(
        [
            kinetics.t4_absorbed * intake.t4_ug,
            kinetics.t3_absorbed * (intake.lt3_ug + intake.desiccated_t3_ug),
        ]
    )
    return matrix, absorbed


def micrograms(kinetics, pools):
    """The model's pools (as sustaining doses) in µg."""
    return np.array(
        [
            pools.t4 * kinetics.t4_absorbed * kinetics.t4_tau,
            kinetics.t3_total(pools) * kinetics.t3_absorbed * kinetics.t3_tau,
        ]
    )


def by_runge_kutta(kinetics, pools_ug, period):
    matrix, absorbed = rates(kinetics, period.intake)
    solved = solve_ivp(
        lambda _, now: matrix @ now + absorbed,
        (0.0, period.days),
        pools_ug,
        method="DOP853",
        rtol=1e-12,
        atol=1e-12,
    )
    assert solved.success
    return solved.y[:, -1]


def by_matrix_exponential(kinetics, pools_ug, period):
    matrix, absorbed = rates(kinetics, period.intake)
    whole = np.zeros((3, 3))
    whole[:2, :2], whole[:2, 2] = matrix, absorbed
    return (expm(whole * period.days) @ np.array([*pools_ug, 1.0]))[:2]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("solver", [by_runge_kutta, by_matrix_exponential])
def test_the_closed_form_agrees_with_scipy_over_a_year(solver, seed):
    random = Random(seed)
    kinetics = random_kinetics(random) if seed else KINETICS
    start, periods = random_year(random)
    followed = course(kinetics, steady(start), periods)
    theirs = micrograms(kinetics, steady(start))
    for period, ours in zip(periods, followed.starts[1:], strict=True):
        theirs = solver(kinetics, theirs, period)
        assert micrograms(kinetics, ours) == pytest.approx(theirs, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_extremes_are_those_of_dense_sampling(seed):
    random = Random(100 + seed)
    kinetics = random_kinetics(random) if seed else KINETICS
    start, periods = random_year(random)
    followed = course(kinetics, steady(start), periods)
    basis = random.choice(STEERING)
    per_pool = weights_over(basis.weights, start)
    covered = coverage_extremes(followed, basis, basis.weights, per_pool)
    t3 = t3_extremes(followed, start)
    before = kinetics.t3_total(steady(start))
    for (lowest, highest), value in (
        ((covered.lowest, covered.highest), lambda p: float(np.dot(per_pool, (p[0], p[2], p[3])))),
        (t3, lambda p: kinetics.t3_total(p) / before),
    ):
        sampled = [value(pools) for _, pools in sample(followed, per_day=24)]
        assert lowest.value <= min(sampled) + 1e-12
        assert lowest.value == pytest.approx(min(sampled), abs=1e-4)
        assert highest.value >= max(sampled) - 1e-12
        assert highest.value == pytest.approx(max(sampled), abs=1e-4)
        for extreme in (lowest, highest):
            assert value(at(followed, extreme.day)) == pytest.approx(extreme.value, abs=1e-9)


def at(followed, day):
    """The pools at any moment of a course."""
    for first, period, pools in followed.segments():
        if day <= first + period.days + 1e-9:
            return after(followed.kinetics, pools, period.intake, day - first)
    raise AssertionError(day)


def sample(followed, per_day):
    for first, period, pools in followed.segments():
        for moment in np.linspace(0, period.days, int(period.days * per_day) + 1):
            yield first + moment, after(followed.kinetics, pools, period.intake, moment)


@pytest.mark.parametrize("seed", range(40))
def test_a_curve_turns_where_its_slope_is_zero_or_not_at_all(seed):
    random = Random(200 + seed)
    kinetics = random_kinetics(random)
    pools = Pools(*(random.uniform(0, 200) for _ in range(4)))
    intake, weights = (
        random_intake(random),
        PoolWeights(1, *(random.uniform(1, 7) for _ in range(2))),
    )
    for curve in (weighed(pools, intake, weights), t3_curve(kinetics, pools, intake)):
        slopes = [
            -curve.slow / kinetics.t4_tau * exp(-day / kinetics.t4_tau)
            - curve.fast / kinetics.t3_tau * exp(-day / kinetics.t3_tau)
            for day in np.linspace(1e-6, 60, 20_001)
        ]
        changes = [n for n, (a, b) in enumerate(pairwise(slopes)) if a * b < 0]
        turn = curve.turning_day(kinetics)
        if turn is None:
            assert not changes
        elif turn < 60:
            assert len(changes) == 1
            assert turn == pytest.approx(60 * changes[0] / 20_000, abs=0.01)


@pytest.mark.parametrize("seed", range(25))
def test_the_steady_day_is_that_of_a_loop_over_time(seed):
    random = Random(300 + seed)
    start = Intake(random.choice([25.0, 100.0]), random.choice([0.0, 40.0]), 18.0)
    periods = [ConstantIntake(random.randint(1, 40), random_intake(random)) for _ in range(3)]
    followed = course(KINETICS, steady(start), periods)
    by_loop = last_moment_outside(followed, start, within=0.05, per_day=200)
    found = steady_day(followed, start, 0.05)
    assert ceil(by_loop - 1e-9) <= found <= ceil(by_loop + 1 / 200 + 1e-5)


def last_moment_outside(followed, old, within, per_day):
    """The last moment at which a pool is further from its last level than the band."""
    *_, (first, period, pools) = followed.segments()
    kinetics = followed.kinetics
    level, before = steady(period.intake), steady(old)
    outside = first
    for tick in range(200 * per_day):
        now = after(kinetics, pools, period.intake, tick / per_day)
        t4_off = abs(now.t4 - level.t4) > within * max(before.t4, level.t4)
        t3_level = kinetics.t3_total(level)
        t3_band = within * max(kinetics.t3_total(before), t3_level)
        t3_off = abs(kinetics.t3_total(now) - t3_level) > t3_band
        if t4_off or t3_off:
            outside = first + tick / per_day
    return outside
