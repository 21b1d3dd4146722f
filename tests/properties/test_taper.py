"""The taper that is chosen against every taper there is.

The brute force lays out each sequence of old doses and scores it from the pools' solution
anew: it finds a turn by halving on the slope, where the search has a formula.
"""

from itertools import pairwise, product
from math import exp, inf, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crossgrain.dosing.kinetics import Intake, Kinetics, Pools
from crossgrain.dosing.taper import TIE, Problem, Segment, best_taper

SLACK = 1e-12
"""What two ways of adding the same numbers may differ by."""

# --- brute force -----------------------------------------------------------------------------


def allowed(problem):
    """Every taper that the problem permits, by walking its definition."""
    for taper in product(range(len(problem.old)), repeat=len(problem.segments)):
        if taper[0] not in problem.first or taper[-1] not in problem.last:
            continue
        carried = [
            problem.old[choice].lt3_ug + problem.old[choice].desiccated_t3_ug for choice in taper
        ]
        if any(t3 > s.t3_room_ug + TIE for t3, s in zip(carried, problem.segments, strict=True)):
            continue
        moves = [
            (before, now, problem.segments[number + 1].may_change)
            for number, (before, now) in enumerate(pairwise(taper))
        ]
        if all(
            now in problem.after[before] if free else now == before for before, now, free in moves
        ):
            yield taper


def scored(problem, taper):
    worst = squares = 0.0
    pools = [problem.start.t4, problem.start.lt3, problem.start.desiccated_t3]
    tau4, tau3 = problem.kinetics.t4_tau, problem.kinetics.t3_tau
    taus = [tau4, tau3, tau3]
    for choice, segment in zip(taper, problem.segments, strict=True):
        dose = [a + b for a, b in zip(problem.old[choice], segment.new, strict=True)]
        for weights in problem.weights:
            terms = [
                (weight * target, weight * (pool - target), tau)
                for weight, pool, target, tau in zip(weights, pools, dose, taus, strict=True)
            ]
            days = [segment.days, *turn_between(terms, segment.days)]
            for day in days:
                coverage = sum(level + part * exp(-day / tau) for level, part, tau in terms)
                size = abs(log(coverage)) if coverage > 0 else inf
                worst = max(worst, size)
                squares += size * size
        pools = [
            target + (pool - target) * exp(-segment.days / tau)
            for pool, target, tau in zip(pools, dose, taus, strict=True)
        ]
    return worst, squares, sum(a != b for a, b in pairwise(taper))


def turn_between(terms, days):
    """The moment within a segment at which the slope changes sign, by halving."""

    def slope(day):
        # scaled by the slower decay, so that it does not drown in rounding
        return sum(-part / tau * exp(-day / tau + day / terms[0][2]) for _, part, tau in terms)

    low, high = 0.0, days
    if slope(low) * slope(high) >= 0:
        return []
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if slope(low) * slope(middle) > 0 else (low, middle)
    return [low]


# --- problems --------------------------------------------------------------------------------

doses = st.floats(0, 150).map(lambda dose: round(dose, 2))
half_lives = st.tuples(st.floats(6, 10), st.floats(0.75, 2.5))


@st.composite
def problems(draw):
    """Small problems: up to two old lines, four segments, three bases, limits and all."""
    t4_half, t3_half = draw(half_lives)
    kinetics = Kinetics(t4_half, t3_half, 0.75, 0.95, 0.35)
    lines = draw(st.lists(old_lines(), min_size=1, max_size=2))
    levels = list(product(*lines))
    old = tuple(Intake(*(sum(parts) for parts in zip(*level, strict=True))) for level in levels)
    after = tuple(
        tuple(
            index
            for index, other in enumerate(levels)
            if all(b[n] <= a[n] for a, b in zip(level, other, strict=True) for n in range(3))
        )
        for level in levels
    )
    most = max(o.lt3_ug + o.desiccated_t3_ug for o in old)
    rooms = st.one_of(st.just(inf), st.floats(0, 1.2 * most + 1))
    count = draw(st.integers(1, 4 if len(old) <= 5 else 3))
    segments = tuple(
        Segment(
            draw(st.sampled_from([1, 7, 10, 14, 28, 49])),
            Intake(draw(doses), draw(doses) / 5, draw(doses) / 5),
            draw(rooms),
            number == 0 or draw(st.booleans()),
        )
        for number in range(count)
    )
    everything = frozenset(range(len(old)))
    last = draw(
        st.one_of(st.just(everything), st.sets(st.sampled_from(sorted(everything)), min_size=1))
    )
    weights = st.builds(Intake, st.just(1.0), st.floats(1, 5), st.floats(0.5, 8))
    start = Pools(1 + draw(doses), draw(doses), draw(doses) / 5, draw(doses) / 5)
    return Problem(
        kinetics,
        start,
        segments,
        old,
        after,
        tuple(sorted(everything)),
        frozenset(last),
        tuple(over(bases, start) for bases in draw(st.lists(weights, min_size=1, max_size=3))),
    )


@st.composite
def old_lines(draw):
    """One old medicine: its doses from all of it down to none of it."""
    most = Intake(*draw(st.sampled_from([(100, 0, 0), (0, 40, 0), (76, 0, 18), (50, 12.5, 0)])))
    shares = draw(st.sampled_from([(1, 0), (1, 0.5, 0), (1, 0.7, 0.3, 0), (1, 1, 0)]))
    return [tuple(part * share for part in most) for share in shares]


def over(weights, start):
    """Weights whose sum over the starting pools is one: coverage on a basis."""
    worth = start.t4 + weights.lt3_ug * start.lt3 + weights.desiccated_t3_ug * start.desiccated_t3
    return Intake(*(weight / worth for weight in weights))


@settings(max_examples=150)
@given(problems())
def test_the_chosen_taper_is_the_best_of_all(problem):
    every = {taper: scored(problem, taper) for taper in allowed(problem)}
    if not every:
        with pytest.raises(ValueError, match="no taper fits"):
            best_taper(problem)
        return
    chosen = best_taper(problem)
    assert chosen in every
    least_worst = min(worst for worst, _, _ in every.values())
    near = {t: s for t, s in every.items() if s[0] <= least_worst + TIE + SLACK}
    assert chosen in near
    least_squares = min(squares for _, squares, _ in near.values())
    nearest = {t: s for t, s in near.items() if s[1] <= least_squares + TIE + SLACK}
    assert chosen in nearest
    surely = [s[2] for s in nearest.values() if is_tied(s, least_worst, least_squares)]
    assert nearest[chosen][2] <= min(surely)


def is_tied(fared, least_worst, least_squares):
    """Whether a taper lies within the tie by more than rounding."""
    return fared[0] <= least_worst + TIE - SLACK and fared[1] <= least_squares + TIE - SLACK
