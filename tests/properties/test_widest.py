"""The proposed tapers against the best that any tablets allow, found by another search."""

import random
from functools import lru_cache
from itertools import product

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from tests.bench.plans.distance import distance, short_climbs, taken
from tests.properties.widest import (
    CHARTS,
    CONTENT,
    T3_HALF_LIFE,
    T4_HALF_LIFE,
    WEEKLY,
    Coverage,
    Move,
    best_taper,
    hormones,
    settled,
    t3_room,
    tablet_doses,
)

EQUAL = 5e-4
"""What counts as equal in the search for a taper: in print less than 0.1 %."""
FURTHER = {
    # The search buys one strength, and these would need two for their finer doses.
    "desiccated-thyroid-60 90 to liothyronine": 0.07,
    "desiccated-thyroid-65 97.5 to liothyronine": 0.07,
    "desiccated-thyroid-60 180 to levothyroxine-liothyronine": 0.03,
    "desiccated-thyroid-65 195 to levothyroxine-liothyronine": 0.03,
    # It passes over doses that lie within a fortieth of today's: 180.5 µg beside 177.
    "levothyroxine 200 to levothyroxine-liothyronine": 0.04,
    # Further by 0.002 since its checkpoint is a pair in ratio, 137 and 10 µg.
    "levothyroxine 175 to levothyroxine-liothyronine": 0.025,
}
"""Moves at the standard pace whose taper is further from the best than the policy's tolerance."""
SAMPLE = 40


@lru_cache(maxsize=1)
def sample():
    """Moves at the standard pace: those of which more is known, and others by lot."""
    near, far = [], []
    for case in short_climbs("standard"):
        (far if name_of(case) in FURTHER else near).append(case)
    assert {name_of(case) for case in far} == set(FURTHER)
    return far + random.Random(7).sample(near, SAMPLE - len(far))


def name_of(case):
    """From what to what; the family is said by its doses."""
    return case.name.partition(" (")[0]


@pytest.mark.parametrize("number", range(SAMPLE))
def test_a_taper_is_within_the_tolerance_of_the_best_from_any_tablets(number):
    case = sample()[number]
    found = distance(case)
    assert -EQUAL <= found.beyond <= FURTHER.get(name_of(case), found.allowed) + EQUAL, case.name


@pytest.mark.parametrize("number", range(0, SAMPLE, 4))
def test_a_plans_own_figures_are_those_of_the_other_model(number):
    case = sample()[number]
    plan = case.plan()
    move, taper = settled(plan, taken(case))
    covered = Coverage(move, 24).of(taper)[: plan.checkpoint.decision_day * 24 + 1]
    for figures, others in zip(plan.forecasts[0].coverage, covered.T, strict=True):
        assert figures.lowest.value == pytest.approx(others.min(), abs=5e-4)
        assert figures.highest.value == pytest.approx(others.max(), abs=5e-4)


# --- the other search itself ------------------------------------------------------------------

SMALL = (
    Move({"lt3": 20.0}, {"lt3": 0.0}, WEEKLY[:3], ({"lt4": 37.5},) * 3, 63),
    Move({"mg60": 60.0}, {"mg60": 0.0}, (0, 14, 28), tuple({"lt3": x} for x in (5, 10, 15)), 77),
    Move({"lt4": 50.0}, {"lt4": 0.0}, (0, 14), ({"mg60": 15.0}, {"mg60": 30.0}), 63),
    Move({"lt4": 100.0}, {"lt4": 75.0}, (0,), ({"lt3": 5.0},), 49),
)


@pytest.mark.parametrize("guard", [0.0, 0.72])
@pytest.mark.parametrize("move", SMALL)
def test_it_finds_the_best_of_all_tapers_laid_out_one_by_one(move, guard):
    ((medicine, least),) = move.least.items()
    doses = tablet_doses(medicine, move.old[medicine], least)
    carries = sum(CONTENT[medicine][1:])
    coverage = Coverage(move, 1)
    every = [
        [{medicine: dose} for dose in taper]
        for taper in product(doses, repeat=len(move.starts))
        if list(taper) == sorted(taper, reverse=True)
        if all(carries * d <= room + 1e-9 for d, room in zip(taper, t3_room(move), strict=True))
    ]
    guarded = [taper for taper in every if coverage.of(taper).min() >= guard]
    found = best_taper(move, guard)
    if not guarded:
        assert found is None
        return
    least_worst = min(coverage.worst(taper) for taper in guarded)
    assert coverage.worst(found.doses) == pytest.approx(least_worst, abs=EQUAL)
    assert found.bound <= least_worst + EQUAL


def test_its_coverage_is_what_integration_gives():
    move = SMALL[1]
    taper = ({"mg60": 60.0}, {"mg60": 30.0}, {"mg60": 15.0})
    rate = np.log(2) / np.array([T4_HALF_LIFE, T3_HALF_LIFE, T3_HALF_LIFE])
    pools = hormones(move.old)
    for begin, end, new, old in zip(move.starts, (14, 28, 77), move.new, taper, strict=True):
        dose = hormones({**new, **old})
        days = solve_ivp(
            lambda _, now, dose=dose: rate * (dose - now), (begin, end), pools, rtol=1e-9, atol=1e-9
        )
        pools = days.y[:, -1]
    for chart, (w, k) in enumerate(CHARTS):
        worth = np.array([1, k, (w - 38) / 9])
        assert Coverage(move, 1).of(taper)[-1, chart] == pytest.approx(
            worth @ pools / (worth @ hormones(move.old)), rel=1e-6
        )
